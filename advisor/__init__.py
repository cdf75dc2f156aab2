"""Advice for a refurbishing bench: edition, drivers, minutes and flags for every used PC.

The three calls that most people need::

    import advisor
    scored = advisor.score(units_frame)      # a row a unit in, a row a unit out
    unit = advisor.capture()                 # the facts of the machine this runs on
    table = advisor.drivers.load("debian-13")
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

# Rooms are imported on first use: `import advisor` stays quick. `advisor.capture` is a room that can be
# called, so that `advisor.capture()` and `advisor.capture.probe` both hold.
_ROOMS = frozenset(
    {"advice", "benchlog", "capture", "comfort", "drivers", "editions", "identify", "intake", "sheet", "timing"}
)

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from advisor.advice import Batch
    from advisor.shop import Shop
    from advisor.unit import Unit


def score(units_frame: pd.DataFrame, shop: Shop | None = None) -> pd.DataFrame:
    """Score units: the intake columns as they came, and the advice columns beside them.

    Parameters
    ----------
    units_frame : pandas.DataFrame, shape (n_units, any)
        Intake columns under any of their usual headers; values as people write them.
    shop : advisor.shop.Shop, optional
        The workshop's settings; the built-in ones when left out.

    Returns
    -------
    pandas.DataFrame, shape (n_units, any + scored columns)
        Same rows, same order; see `advisor.advice.SCORED_COLUMNS`.

    Raises
    ------
    advisor.errors.InputError
        When no column can be understood as the asset tag or the processor.
    """
    from advisor.advice import assess

    return assess(units_frame, shop).frame


def assess(units_frame: pd.DataFrame | list[Unit], shop: Shop | None = None) -> Batch:
    """Assess a batch of units: `batch.frame` is the scored table, `batch["TAG"]` a unit's record.

    Parameters
    ----------
    units_frame : pandas.DataFrame, shape (n_units, any), or list of Unit
        As for `score`.
    shop : advisor.shop.Shop, optional
        The workshop's settings; the built-in ones when left out.

    Raises
    ------
    advisor.errors.InputError
        When no column can be understood as the asset tag or the processor.
    """
    from advisor.advice import assess as assessed

    if isinstance(units_frame, list):
        from advisor.unit import frame

        units_frame = frame(units_frame)
    return assessed(units_frame, shop)


def read_shop(path: str | Path | None = None) -> Shop:
    """Read a shop's settings: of a file, else of `shop.toml` in the user's data folder, else the built-in ones.

    Raises
    ------
    advisor.errors.InputError
        When it cannot be read, or a value is not acceptable.
    """
    from advisor.shop_file import the_shop

    return the_shop(path)


def read_unit(path: str | Path) -> Unit:
    """Read the unit of a capture file; raises `CaptureError` where it is none."""
    from advisor.capture import read_capture

    return read_capture(path).unit


def read(path: str | Path) -> pd.DataFrame:
    """Read an intake sheet (CSV, TSV or Excel) as typed, every cell as text.

    Returns
    -------
    pandas.DataFrame, shape (n_rows, any)

    Raises
    ------
    advisor.errors.InputError
        When it cannot be read.
    """
    from advisor.intake import read as read_sheet

    return read_sheet(path)


def __getattr__(name: str) -> Any:
    import importlib

    if name in _ROOMS:
        return importlib.import_module(f"advisor.{name}")
    raise AttributeError(f"module 'advisor' has no attribute {name!r}")
