"""The catalogue: connection, lock, schema, settings, amendments, run records, migrations."""
