"""One run: scan → compare → guard → send. Knows neither the place nor the layout it is given."""
