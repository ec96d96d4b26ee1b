"""Finished stages as files that the import reads: CSV, XLSX and IEEE 1849 XES."""
