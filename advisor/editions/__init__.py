"""Room editions."""
