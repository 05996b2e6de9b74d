"""Runs: the list and its filters, one run, edits, groups, pairs, recompute."""
