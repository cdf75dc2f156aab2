"""Room capture."""
