"""What stands in an export that nobody has registered yet: its dialect, columns and units."""
