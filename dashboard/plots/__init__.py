"""Pictures, one function each: data in, a figure out; and their colors."""
