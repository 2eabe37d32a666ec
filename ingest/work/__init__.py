"""One function over many items, in order: here, in processes of this machine, or on a cluster.

`each` is the door. `child` is a process of its own and `served` its inside; `cluster` hands the
same work to a running Dask scheduler. What is worked on, nothing here knows.
"""
