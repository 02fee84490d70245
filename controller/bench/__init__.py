"""Technicians' procedures: what is measured at the bench, judged, kept and put into use."""
