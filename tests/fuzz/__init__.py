"""Run folders with something wrong in them, by chance: whole folders in, an answer or a fault out.

Short in the test run (`test_fuzz.py`), long by hand::

    python -m tests.fuzz --count 20000

`mutate` spoils a folder, `judged` runs it as the command line would, `__main__` counts.
"""
