"""A plain, well understood unit and an invented shop for it; tests change one fact at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from advisor.advice import Batch, assess
from advisor.shop import Part, Shop, default_shop

PLAIN: dict[str, Any] = {
    "asset_tag": "T-1", "maker": "Lenovo", "model": "ThinkPad T470", "form_factor": "laptop", "cpu": "i5-6300U",
    "ram_gib": "8", "ram_slots_free": "1", "storage_kind": "SATA SSD", "storage_gib": "256 GB", "boot_mode": "UEFI",
    "wireless": "8086:24f3", "graphics": "HD Graphics 520",
}  # fmt: skip

SSD = Part(name="SATA SSD 240 GB", kind="ssd", fits="sata", gib=223, count=9, fit_min=15)
DDR4 = Part(name="4 GiB DDR4 SODIMM", kind="memory", fits="DDR4 SODIMM", gib=4, count=9, fit_min=5)
DDR3 = Part(name="4 GiB DDR3 DIMM", kind="memory", fits="DDR3 DIMM", gib=4, count=9, fit_min=4)
ADAPTER = Part(name="USB Wi-Fi adapter", kind="wireless", fits="usb", device="usb:0cf3:9271", count=9, fit_min=2)
DRAWER = (SSD, DDR4, DDR3, ADAPTER)


def shop_with(*stock: Part, **changes: Any) -> Shop:
    return default_shop().model_copy(update={"stock": stock, **changes})


def batch_of(*units: dict[str, Any], shop: Shop | None = None) -> Batch:
    """Assess units that differ from the plain one in what is given; None empties a cell."""
    rows = [{**PLAIN, "asset_tag": f"T-{number}", **unit} for number, unit in enumerate(units, 1)]
    return assess(pd.DataFrame(rows).astype("string"), shop or shop_with(*DRAWER))


@pytest.fixture
def decided() -> Callable[..., pd.Series]:
    """The scored row of one changed unit."""

    def one(shop: Shop | None = None, **changes: Any) -> pd.Series:
        return batch_of(changes, shop=shop).scored.iloc[0]

    return one
