"""Clocks of exports: forms of time, wall clock or elapsed, the choice between them, the timeline."""
