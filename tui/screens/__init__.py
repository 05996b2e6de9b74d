"""One file per place of the terminal interface, each with its small style sheet."""
