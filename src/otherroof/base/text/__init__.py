"""Text as people read it: lines and lists of words, and documents made from templates."""
