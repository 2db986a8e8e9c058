"""The command line: one file a verb, thin: settings in, one call, a picture out."""
