"""Exports into the library: the only part of store that calls the importers."""
