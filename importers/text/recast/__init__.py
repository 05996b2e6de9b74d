"""Other forms of an export, each brought early to the one form that is read: a table of text with a header."""
