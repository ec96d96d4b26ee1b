"""Writes of what was learned."""
