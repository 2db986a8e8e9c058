"""Sets up a new far box: questions and their answers, keys at home, a kit to carry there (from `templates/`), the reply
that comes back, and the tables that it adds to the settings."""
