"""What is under way now, and what people wish of it: small files beside the history, read by every other process."""
