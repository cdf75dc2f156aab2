"""Editions: what each desktop of each release takes of disk and memory, and what stops it on a unit."""

from advisor.editions.catalogue import catalogue, rows_of
from advisor.editions.drawing import chip_draws, drawing
from advisor.editions.gates import draws_slowly, fits, starts, wants_drawing

__all__ = ["catalogue", "chip_draws", "drawing", "draws_slowly", "fits", "rows_of", "starts", "wants_drawing"]
