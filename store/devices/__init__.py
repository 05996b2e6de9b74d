"""Devices and meters: sheets read and written, pages, what is kept of them."""
