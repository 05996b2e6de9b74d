"""Care of a library: verify, repair, rebuild, backup, merged trace files."""
