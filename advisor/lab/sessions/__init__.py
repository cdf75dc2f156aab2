"""Desktop sessions, measured: free or under limits."""
