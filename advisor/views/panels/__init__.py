"""Panels: pure functions from findings to HTML, one module for each part of a view."""
