"""A sensor that comes off, stands still or breaks, noticed while it happens; `judge` is the door.

`judge.judge` looks at readings second by second and never ahead: what it says of a moment rests on
what came before it, so that a stored log and a recording under way are judged by the same code.
"""
