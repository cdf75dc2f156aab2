"""Editions: what each desktop of each release takes of disk and memory, and what stops it on a unit."""

from advisor.editions.catalogue import catalogue, rows_of
from advisor.editions.gates import GATES, GateCodes, boots, drawing, gate_codes, gates

__all__ = ["GATES", "GateCodes", "boots", "catalogue", "drawing", "gate_codes", "gates", "rows_of"]
