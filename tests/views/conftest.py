"""A bench with a log of its own, on the demo's invented shop and units."""

from __future__ import annotations

import pytest

import advisor
from advisor.files import datasets
from advisor.shop_file import read_shop
from advisor.unit import Unit

HOSTILE = "<img src=x onerror=alert(1)>&\"'"


@pytest.fixture(scope="session")
def shop():
    return read_shop(datasets() / "demo" / "shop.toml")


@pytest.fixture(scope="session")
def demo():
    return advisor.read(datasets() / "demo" / "intake.csv")


@pytest.fixture(scope="session")
def batch(demo, shop):
    return advisor.assess(demo.head(20), shop)


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """No test touches a real log or shop file."""
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("ADVISOR_SHOP", raising=False)
    return tmp_path / "home"


@pytest.fixture
def bench(shop, tmp_path):
    from advisor.views.state import BenchPage

    return BenchPage(shop, tmp_path / "log.sqlite")


@pytest.fixture
def unit():
    return Unit(
        asset_tag="U-1", maker="Lenovo", model="ThinkPad T460", cpu="i5-6300U", ram_gib=8, storage_kind="sata ssd",
        storage_gib=223.52, boot_mode="uefi 64-bit", form_factor="laptop",
    )  # fmt: skip
