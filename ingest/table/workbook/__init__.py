"""Workbooks: a sheet becomes lines, read as any other log; `read.read_workbook` is the door."""
