"""What every kind of log becomes: columns by name and unit; cells, names, long layouts."""
