"""The ground floor: errors, time, units, files put in place, locks, small databases. Knows nothing of the rest."""
