"""What people type in about the shop, checked."""
