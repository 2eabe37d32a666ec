"""The front door: what `import lukewarm` offers to a notebook or a script.

`lukewarm.py` names the functions and opens these modules when one is first used: `runs` (load),
`found` (one run's result), `analyze` (one and many), `pictures` (plot and report), `store` (a
store, compare, tune), `vocabulary` (figures, causes, checks, findings), `frames` (pandas).
"""
