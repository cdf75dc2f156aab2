"""Room views."""
