"""Comfort: how fast each edition's desktop and browser become usable on a unit, and what they leave."""

from advisor.comfort.ladder import LONGEST_SAID_S, Ladder, beyond, ladder

__all__ = ["LONGEST_SAID_S", "Ladder", "beyond", "ladder"]
