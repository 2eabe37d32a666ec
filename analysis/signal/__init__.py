"""The mathematics of one signal: where it settles, how it approaches, fluctuates, answers speed."""
