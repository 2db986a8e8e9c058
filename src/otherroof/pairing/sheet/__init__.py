"""The recovery sheet: what it tells, how keys become letters that can be typed, and how they are taken in again."""
