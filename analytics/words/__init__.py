"""What the pages say of what was computed."""
