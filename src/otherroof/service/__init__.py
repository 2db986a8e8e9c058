"""One run and one restore with everything around them; the schedule that begins runs; systemd and the install.

The schedule in layers: `owing` and `plan` decide (pure), `desk` keeps the books, `serve` drives them in real time,
`wiring` gives it real hands. A simulation drives the same desk with a stepped clock.
"""
