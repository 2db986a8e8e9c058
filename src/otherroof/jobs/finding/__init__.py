"""What is in a job's versions, asked of an index at home, and several states of one file brought back."""
