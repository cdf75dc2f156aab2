"""Room comfort."""
