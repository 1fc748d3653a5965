"""Safety layers broken one at a time: `python -m tests.mutations` tells which test misses each."""
