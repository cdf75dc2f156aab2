"""Tables built from the packages and the package index themselves."""
