"""What the recovery sheets that were printed tell, and the rule that says when they are too old."""
