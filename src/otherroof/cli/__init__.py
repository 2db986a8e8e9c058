"""The command line: one file a verb, thin (settings in, one call, a picture out), in a folder for each thing one wants.

`main` is the entry point, `parser/` reads the words, `common` has what verbs share.
"""

import gc

# Hardly anything here hangs in rings. Looking for them after every 700 objects, as Python does, takes three hundredths
# of a run's processor time, and what a verb imports makes fifty thousand that all stay. Said here, so that it holds
# while the libraries are imported.
OBJECTS_BETWEEN_SEARCHES = 50_000
gc.set_threshold(OBJECTS_BETWEEN_SEARCHES)
