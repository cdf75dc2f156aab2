"""Room timing."""
