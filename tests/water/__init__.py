"""A faulty world around the shipped host law and the shipped board program, and a judge that counts for itself."""
