"""Records that travel: sealed days, the ways they leave the chamber, and the place where they arrive."""
