"""Tables that ship as data, each with its edition and date. Knows where its own files are, and no more."""
