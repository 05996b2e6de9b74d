"""Figures of a device that follow from several runs or from its sheet: each file has their specs and arithmetic."""
