"""Over-reading: which trials wait for a reader, what readers decided, and what that changes."""
