"""Comfort: how fast each edition's desktop and browser become usable on a unit, and what they leave."""

from advisor.comfort.ladder import Ladder, ladder

__all__ = ["Ladder", "ladder"]
