"""The plain text: within its width, harmless to a terminal, complete."""

from __future__ import annotations

import dataclasses
import unicodedata

import pytest

from advisor.sheet import render_text
from advisor.sheet.text import columns_of

from .conftest import HOSTILE


@pytest.mark.parametrize("width", [40, 57, 80, 100, 200])
@pytest.mark.parametrize("name", ["plain", "held", "aside", "long", "unbroken"])
def test_no_line_is_wider(sheets, name, width):
    lines = render_text(sheets[name], width).split("\n")
    assert max(columns_of(line) for line in lines) <= width


def test_columns_of_wide_and_combining():
    # Unicode 15 EastAsianWidth.txt: U+4F60 and U+1F47E are W; U+0301 is a combining mark.
    assert columns_of("ab") == 2
    assert columns_of("你a") == 3
    assert columns_of("👾") == 2
    assert columns_of("e\u0301") == 1


@pytest.mark.parametrize("name", ["plain", "long"])
def test_nothing_a_terminal_would_obey(sheets, name):
    for character in render_text(sheets[name]):
        assert character == "\n" or unicodedata.category(character) != "Cc"


def test_words_are_kept_whole(sheets):
    one = dataclasses.replace(sheets["plain"], notes=HOSTILE)
    shown = set(render_text(one, 60).split())
    assert set(HOSTILE.split()) <= shown


def test_all_sections_are_there(sheets):
    text = render_text(sheets["plain"])
    for wanted in (
        "TT-0042", "BRING firmware-iwlwifi", "Cinnamon from the stick debian-12-plain", "43 to 66", "To have at hand",
        "Phases", "Flags", "act first", "Devices on debian-12-plain", "needs firmware", "Desktops", "does not have it",
        "Hand-over checks", "Cautions", "Erasing is final", "from 64 measured installs",
    ):  # fmt: skip
        assert wanted in text, wanted
    assert text.count("______") == len(sheets["plain"].phases) + 1


@pytest.mark.parametrize("width", [40, 44, 45, 60, 100])
def test_no_phase_and_no_figure_of_the_desktops_is_cut(sheets, width):
    words = render_text(sheets["plain"], width).split()
    assert {word for phase in sheets["plain"].phases for word in phase.title.split()} <= set(words)
    for rung in sheets["plain"].rungs:
        assert not rung.desktop_s or {rung.desktop_s, rung.browser_s, rung.memory_left_mib} <= set(words), rung.edition


def test_in_what_a_unit_lies_beyond_what_was_measured_is_said_once(sheets):
    far = dataclasses.replace(
        sheets["plain"], basis="from 64 installs, beyond what was measured",
        beyond="beyond what was measured: files more than 81,900; waits beyond what was measured: 4 cores",
    )  # fmt: skip
    words = " ".join(render_text(far, 100).split())
    assert (
        "Minutes from 64 installs, beyond what was measured (files more than 81,900; waits beyond what was measured: "
        "4 cores)." in words
    )
    assert "()" not in render_text(sheets["plain"])


def test_hold_asks_and_has_no_minutes(sheets):
    text = render_text(sheets["held"])
    assert "Find out first" in text and "Phases" not in text and "min in the slot" not in text


def test_ascii_only(sheets):
    for sheet in sheets.values():
        text = render_text(sheet, 80, ascii_only=True)
        assert text.isascii()
        assert max(map(len, text.split("\n"))) <= 80
