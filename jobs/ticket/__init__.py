"""A job's one printable page."""
