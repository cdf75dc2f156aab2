"""Room drivers."""
