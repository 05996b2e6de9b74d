"""The commands, a topic each."""
