"""What is due, and the service's loop that sees to it."""
