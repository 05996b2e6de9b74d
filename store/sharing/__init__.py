"""A library past one machine: shared as tables that other engines read, and brought together with another."""
