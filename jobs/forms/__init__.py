"""What people type in, checked."""
