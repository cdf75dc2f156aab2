"""Room benchlog."""
