"""One run: catalogue made true → scan → compare → guard → send → commit.

Knows neither the place nor the layout it is given.
"""
