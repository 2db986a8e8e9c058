"""The command line as a whole: which verbs there are, how its words are read, its help, completion and man page.

It must not know what a verb does: the verb's own module is imported when that verb is asked for, and not before.
"""
