"""A journal's records to the files of a run folder, live and when they are made again."""
