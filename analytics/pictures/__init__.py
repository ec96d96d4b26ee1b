"""Drawings on the pages, as numbers for their templates."""
