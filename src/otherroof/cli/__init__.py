"""The command line: one file a verb, thin (settings in, one call, a picture out), in a folder for each thing one wants.

`main` is the entry point, `parser/` reads the words, `common` has what verbs share.
"""

import gc

# Hardly any objects here refer to each other in a circle. Looking for such after every 700 new ones, as Python does,
# takes three hundredths of a run's processor time, and a verb's imports make fifty thousand that all stay. Set here, so
# that it holds while the libraries are imported.
OBJECTS_BETWEEN_SEARCHES = 50_000
gc.set_threshold(OBJECTS_BETWEEN_SEARCHES)
