"""Frozen records that cross layers: facts, sheets, results."""
