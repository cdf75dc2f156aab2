"""The demo's day, planned once for all tests of the room."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from advisor import intake
from advisor.advice import Batch, assess
from advisor.files import datasets
from advisor.plan import Plan, plan_day
from advisor.shop_file import read_shop

sys.path.insert(0, str(Path(__file__).parent))

from shops import DAY


@pytest.fixture(scope="session")
def demo() -> Batch:
    return assess(intake.read(datasets() / "demo" / "intake.csv"), read_shop(datasets() / "demo" / "shop.toml"))


@pytest.fixture(scope="session")
def planned(demo: Batch) -> Plan:
    return plan_day(demo, DAY, seconds=3)
