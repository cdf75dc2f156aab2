"""Units that a seasoned technician judged before the program was asked: advice, desktop, parts, stick, packages, words.

What is expected stands in judged.csv and was written without running the program (judged.meta.toml says how: common
practice, no source).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from advisor.advice import Batch, assess
from advisor.shop_file import read_shop
from advisor.unit import INTAKE_COLUMNS

HERE = Path(__file__).parent
JUDGED = pd.read_csv(HERE / "judged.csv", dtype=str, keep_default_na=False)
TYPED = [name for name in JUDGED.columns if name in INTAKE_COLUMNS]


@cache
def batch(shop: str) -> tuple[Batch, dict[str, int]]:
    rows = JUDGED[JUDGED["shop"] == shop]
    found = assess(rows[TYPED].reset_index(drop=True), read_shop(HERE / "shops" / f"{shop}.toml"))
    return found, {tag: row for row, tag in enumerate(rows["asset_tag"])}


def among(cell: str) -> set[str]:
    return {"+".join(sorted(one.split("+"))) for one in cell.split("|")}


@pytest.mark.parametrize("unit", JUDGED.to_dict("records"), ids=lambda unit: unit["asset_tag"])
def test_a_unit_is_advised_as_a_seasoned_technician_would(unit: dict[str, Any]) -> None:
    found, rows = batch(unit["shop"])
    row = rows[unit["asset_tag"]]
    scored, case = found.scored.iloc[row], int(found.case[row])
    cases = found.cases
    assert scored["advice"] in unit["advice"].split("|"), unit["why"]
    kinds = {part.part.kind for part in cases.parts_of(case)} if cases.works[case] else set()
    parts = "+".join(sorted(kinds)) or "none"
    if cases.works[case]:
        assert unit["edition"] in ("", "*") or scored["edition"] in unit["edition"].split("|"), unit["why"]
        assert unit["parts"] in ("", "*") or parts in among(unit["parts"]), unit["why"]
        assert unit["image_used"] in ("", "*") or scored["image_used"] in unit["image_used"].split("|"), unit["why"]
        brought = {one.package for one in cases.bring[case] if one.decides}
        if unit["bring"] == "none":
            assert not brought, unit["why"]
        elif unit["bring"] not in ("", "*"):
            assert set(unit["bring"].split(";")) <= set(scored["firmware_packages"].split(";")), unit["why"]
        fits = "+".join(sorted({part.part.fits for part in cases.parts_of(case)})) or "none"
        assert unit["fits"] in ("", "*") or fits in among(unit["fits"]), unit["why"]
    for wrong in filter(None, unit["wrong"].split("|")):
        kind, _, what = wrong.partition(":")
        laughed = what in kinds if kind == "part" else kind == scored["advice"] and what in ("", scored["edition"])
        assert not laughed, f"he would laugh at {wrong}: {unit['why']}"
    flags = found.flags[found.flags["row"] == case]
    columns = ["reasons", "flags", "do_first", "best_fix", "problem", "taken_as"]
    said = " ".join([*scored[columns], *flags[["title", "reason", "action"]].to_numpy().ravel()]).lower()
    for words in filter(None, (words.strip() for words in unit["flags"].split(";"))):
        assert any(word.lower() in said for word in words.split("|")), f"nothing is said of {words}: {said}"


def test_the_judged_units_are_many_and_of_every_kind() -> None:
    assert len(JUDGED) >= 200
    advised = {word for cell in JUDGED["advice"] for word in cell.split("|")}
    assert advised == {"standard image", "lighter image", "firmware first", "fit a part first", "hold", "set aside"}
