"""Sheets that are scored both ways; what needs the extra `many` is collected where that is installed, as one step of
CI does."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import pandas as pd
import pytest

from advisor import intake
from advisor.advice import assess
from advisor.bulk import run as running
from advisor.bulk import work
from advisor.files import datasets
from advisor.shop import Shop
from advisor.shop_file import read_shop

collect_ignore = [] if find_spec("pyarrow") and find_spec("distributed") else ["test_many.py"]

DEMO = datasets() / "demo" / "intake.csv"


@pytest.fixture(scope="session")
def shop() -> Shop:
    """The demo's shop, whose drawer holds fewer parts than units wish for."""
    return read_shop(datasets() / "demo" / "shop.toml")


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces and chunks so small that a short sheet has many, and machines forgotten at once."""
    monkeypatch.setattr(running, "PIECE", 8)
    monkeypatch.setattr(work, "PIECE", 8)
    monkeypatch.setattr(running, "_BLOCK", 4)
    monkeypatch.setattr(running, "_CHUNK", 9)
    monkeypatch.setattr(running, "_LARGE_CHUNK", 25)
    monkeypatch.setattr(running, "_KEPT", 12)
    monkeypatch.setattr(running, "_WAITING", 3)


Whole = Callable[[Path, Shop], bytes]


@pytest.fixture(scope="session")
def whole() -> Whole:
    """What scoring a whole sheet in memory writes."""

    def scored(path: Path, shop: Shop) -> bytes:
        frame: pd.DataFrame = assess(intake.read(path), shop).frame
        return intake.safe_frame(frame).to_csv(index=False).encode()

    return scored


@pytest.fixture(scope="session")
def demo_bytes(whole: Whole, shop: Shop) -> bytes:
    """The demo, scored in memory."""
    return whole(DEMO, shop)
