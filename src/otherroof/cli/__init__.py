"""The command line: one file a verb, thin (settings in, one call, a picture out), in a folder for each thing one wants.

`main` is the entry point, `parser/` reads the words, `common` has what verbs share.
"""
