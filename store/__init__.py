"""The library: catalogue, traces, results, queries. Knows no file format of a meter and no screen."""
