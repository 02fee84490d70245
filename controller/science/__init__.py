"""Formulas only: numbers in, numbers out, each with its source."""
