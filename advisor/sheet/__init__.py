"""Room sheet."""
