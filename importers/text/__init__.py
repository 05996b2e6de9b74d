"""Bytes to cells: code pages, quoting, rows, the shape of the table, preamble, workbooks."""
