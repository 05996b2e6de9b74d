"""The command line: one call from its words to its exit status."""
