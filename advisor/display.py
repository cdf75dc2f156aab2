"""Objects show themselves: plain in a terminal, rich in a notebook. The views are loaded when a notebook asks.

By name, since the rooms below do not know the views above them.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any


class Shown:
    """Gives a class a rich display; its plain one is its own `__repr__`."""

    def _repr_html_(self) -> str:
        """HTML for a notebook; every text of a unit is escaped in it."""
        return str(import_module("advisor.views.show").html(self))


def page(records: Any, shop: Any = None) -> Any:
    """The sheet of units as an object that shows and saves itself; see `advisor.views.show.page`."""
    return import_module("advisor.views.show").page(records, shop)


def pictures(batch: Any) -> Any:
    """The pictures of a batch; see `advisor.views.plots.BatchPictures`."""
    return import_module("advisor.views.plots").BatchPictures(batch)
