"""CSV, sheet and notebook say the same: the demo's units, one by one."""

from __future__ import annotations

import html
import re

import pytest

from advisor import intake
from advisor.advice import Batch, assess
from advisor.files import datasets
from advisor.sheet import render_text
from advisor.shop_file import read_shop


@pytest.fixture(scope="module")
def batch() -> Batch:
    demo = datasets() / "demo"
    return assess(intake.read(demo / "intake.csv"), read_shop(demo / "shop.toml"))


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", html.unescape(re.sub(r"<[^>]*>", "", text)))


@pytest.mark.slow
def test_the_first_thing_to_do_is_the_same_everywhere(batch: Batch) -> None:
    for record, (_, row) in zip(batch, batch.scored.iterrows(), strict=True):
        assert record.headline == row["do_first"]
        assert squeezed(row["do_first"]) in squeezed(render_text(record, 100))
        assert squeezed(row["do_first"]) in squeezed(record._repr_html_())
        if record.parts:
            assert squeezed(row["best_fix"]) in squeezed(render_text(record, 100))
            for part in record.parts:
                assert squeezed(part.source) in squeezed(render_text(record, 100))


def test_edition_stick_and_minutes_are_the_same_everywhere(batch: Batch) -> None:
    for record, (_, row) in zip(batch, batch.scored.iterrows(), strict=True):
        if record.edition:
            assert (record.edition, record.image) == (row["edition"], row["image_used"])
            assert f"{record.edition} from the stick {record.image}" in " ".join(render_text(record, 100).split())
            assert record.elapsed_min == row["elapsed_min"]
