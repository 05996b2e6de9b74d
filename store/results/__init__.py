"""Traces reduced to results: pure functions over arrays. Knows no file, no catalogue, no screen."""

from store.results.registry import METHODS, REDUCERS, Reducer, reduce_run

__all__ = ["METHODS", "REDUCERS", "Reducer", "reduce_run"]
