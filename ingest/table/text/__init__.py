"""Delimited text of any dialect, from bytes to a table; `read.read_text_table` is its door."""
