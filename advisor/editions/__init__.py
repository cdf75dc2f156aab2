"""Editions: what each desktop of each release takes of disk and memory, and what stops it on a unit."""

from advisor.editions.catalogue import catalogue, rows_of
from advisor.editions.drawing import drawing
from advisor.editions.gates import draws_slowly, fits, starts, wants_drawing

__all__ = ["catalogue", "drawing", "draws_slowly", "fits", "rows_of", "starts", "wants_drawing"]
