"""Sets up a new far box: keys at home, a kit to carry there, and the reply that comes back."""
