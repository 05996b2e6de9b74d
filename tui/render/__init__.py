"""Finished data as text: numbers, tables, pages."""
