"""The computation: pure functions over NumPy arrays. No framework, no database, no clock, no global state."""
