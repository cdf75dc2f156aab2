"""Room plan."""
