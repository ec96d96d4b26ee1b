"""Stage times from elsewhere: CSV, XLSX and IEEE 1849 XES files become recorded sittings."""
