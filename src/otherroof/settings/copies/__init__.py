"""A folder that goes to several far boxes: its copies, each a job of its own, and how they are called."""
