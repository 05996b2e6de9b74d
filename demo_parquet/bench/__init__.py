"""A small physical model of a test bench: cells, converters, cases, adapters, cables and meters.

Everything under `demo_parquet/traces` and `demo_parquet/exports` is made by it. Its numbers are invented, typical of
the trade, and of no real product. It knows nothing of the store, of results or of screens.
"""
