"""What several tests share; imported as `support.…`."""
