"""Room handover."""
