"""Runs of one plan in several chambers, gathered and compared."""
