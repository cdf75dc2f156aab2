"""Room advice: from facts to a decision, with its reasons."""
