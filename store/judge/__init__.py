"""Judging: which runs count, matching, derived figures, claims, comparison, course of tests."""
