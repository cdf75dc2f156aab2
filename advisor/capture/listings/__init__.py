"""Captures from text: the script's recording, and listings that technicians already have."""

from __future__ import annotations
