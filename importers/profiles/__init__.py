"""Profiles: how one meter's export maps onto channels, as TOML files that people can read and write."""
