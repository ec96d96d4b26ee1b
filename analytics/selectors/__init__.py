"""Reads of what was learned."""
