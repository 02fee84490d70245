"""Proving a chamber on the bench before anything grows in it."""
