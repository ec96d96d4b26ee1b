"""What the pages say of what is stored."""
