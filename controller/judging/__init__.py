"""Judging plan and chamber files: shape first, then what must agree inside a file, then between the two."""
