"""Long runs that are started by hand."""
