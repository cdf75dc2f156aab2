"""Room intake."""
