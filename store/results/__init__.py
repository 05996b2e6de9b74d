"""Traces reduced to results: pure functions over arrays. Knows no file, no catalogue, no screen."""
