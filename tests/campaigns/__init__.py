"""Faults in great numbers: each module here tries one family of them and answers with lines of evidence."""
