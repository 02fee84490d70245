"""Records of a run: the journal, and the tables made from it."""
