"""The shop's own pages."""
