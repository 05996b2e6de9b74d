"""Quantities, units, facts as typed, TOML with line numbers."""
