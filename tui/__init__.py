"""What a person touches: the terminal interface and the command line. Holds no arithmetic and no SQL."""
