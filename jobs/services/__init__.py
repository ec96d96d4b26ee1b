"""Writes: one verb, one function, one transaction."""
