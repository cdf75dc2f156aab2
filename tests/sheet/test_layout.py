"""The page's arithmetic, held against the typesetter."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
import typst

from advisor.sheet.layout import PT, Measures, ems, shorten, wrap

FONTS = Path(__file__).resolve().parents[2] / "advisor" / "sheet" / "fonts"

PROBE = b"""
#let asked = json(bytes(sys.inputs.asked))
#set page(width: 400mm, height: auto)
#set text(font: "B612", size: 10pt, hyphenate: false, top-edge: 0.92em, bottom-edge: -0.3em)
#set par(leading: 0em, spacing: 0em)
#context [#metadata(asked.map(one => (
  measure(text(weight: one.weight, one.text)).width.mm(),
  measure(block(width: one.width * 1mm, text(weight: one.weight, one.text))).height.mm(),
))) <answer>]
"""


def _measured(asked: list[dict], tmp_path: Path) -> list[list[float]]:
    page = tmp_path / "probe.typ"
    page.write_bytes(PROBE)
    answer = typst.query(
        str(page), "<answer>", field="value", one=True, font_paths=[str(FONTS)], ignore_system_fonts=True,
        sys_inputs={"asked": json.dumps(asked)},
    )  # fmt: skip
    return json.loads(answer)


def test_ascii_widths_are_the_fonts_own(tmp_path):
    characters = [chr(code) for code in range(33, 127)]
    for weight in ("regular", "bold"):
        measured = _measured([{"text": one, "width": 400, "weight": weight} for one in characters], tmp_path)
        for one, (width, _) in zip(characters, measured, strict=True):
            # The table holds hundredths of an em, so half of one is the most it may be off.
            assert ems(one) * 10 * PT == pytest.approx(width, abs=0.005 * 10 * PT + 1e-3), (one, weight)


def test_lines_are_never_underrated(tmp_path):
    dice = random.Random(3)
    alphabet = (
        "Latitude",
        "i5-5300U",
        "WWW",
        "iiiiii",
        "firmware-iwlwifi,",
        "a",
        "of",
        "überholt",
        "graphics",
        "W" * 30,
    )
    asked = []
    for _ in range(300):
        width = dice.randint(30, 180)
        text = " ".join(dice.choice(alphabet) for _ in range(dice.randint(1, 40)))
        asked.append({"text": shorten(text, width, 10, 99), "width": width, "weight": "regular"})
    line = Measures().line(10)
    needed, over = 0, 0
    for one, (_, height) in zip(asked, _measured(asked, tmp_path), strict=True):
        lines = round(height / line)
        planned = len(wrap(one["text"], one["width"] * 0.985, 10))
        assert planned >= lines, one
        needed, over = needed + lines, over + planned - lines
    assert over <= 0.05 * needed, "the plan wastes lines"


def test_shorten_keeps_what_fits_and_marks_what_was_cut():
    assert shorten("short", 100, 8) == "short"
    cut = shorten("word " * 100, 40, 8, 2)
    assert cut.endswith("…") and len(wrap(cut, 40, 8)) <= 2
    assert ems(shorten("W" * 500, 30, 8)) * 8 * PT <= 30
    assert shorten("", 30, 8) == ""


def test_larger_type_is_used_where_there_is_room(sheets):
    from advisor.sheet.fit import fit, sheets_of

    assert (
        fit(*sheets_of(sheets["plain"])).measures.body
        > fit(*sheets_of(sheets["long"])).measures.body
        == Measures().body
    )
    assert not fit(*sheets_of(sheets["plain"])).sheet.more
