"""Arrays: signals, integrals, edges, detectors, long runs. Knows no file and no catalogue."""
