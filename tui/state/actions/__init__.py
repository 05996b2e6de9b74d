"""What a person can do to a library besides looking: an `Action` each, found by its words."""
