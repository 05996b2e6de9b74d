"""The words of exports: labels, units and port words, one TOML a language."""
