"""What pasting does to listings: every real listing, damaged, gives the same facts, or fewer that are named."""

from __future__ import annotations

import re
import textwrap
from functools import cache
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from advisor.capture import read_listings
from advisor.capture.listings import read_machines
from advisor.identify import level_of_flags

TEXTS = {path.stem: path.read_text(encoding="utf-8") for path in (Path(__file__).parent / "listings").glob("*.txt")}
APART = {"notes"}


def _lines(change):
    return lambda text: "\n".join(change(line) for line in text.split("\n"))


HARMLESS = {
    "hard blanks": lambda text: text.replace(" ", "\xa0"),
    "hard blanks here and there": lambda text: text.replace(": ", ":\xa0"),
    "tabs as eight blanks": lambda text: text.replace("\t", "        "),
    "tabs as four blanks": lambda text: text.replace("\t", "    "),
    "quoted": _lines(lambda line: f"> {line}"),
    "quoted twice": _lines(lambda line: f"> > {line}"),
    "fenced": lambda text: f"Here it is:\n```text\n{text}\n```\nthanks!\n",
    "forum markup": lambda text: f"[code]{text}[/code]\n",
    "carriage returns": lambda text: text.replace("\n", "\r\n"),
    "colours": _lines(lambda line: f"\x1b[0;32m{line[:9]}\x1b[0m{line[9:]}\x1b[K" if line else line),
    "blanks at the end": _lines(lambda line: f"{line}   " if line else line),
    "marks of no width": lambda text: "\ufeff" + text.replace("\n", "\u200b\n"),
    "prose around": lambda text: f"Hi all, my laptop is slow.\n\n{text}\n\nWhat do you think?\nRegards\n",
}  # fmt: skip


def _wrapped(text: str) -> str:
    return "\n".join(
        textwrap.fill(line, 76, break_on_hyphens=False) if len(line) > 76 else line for line in text.split("\n")
    )


LOSSY = {
    "wrapped by a mail": _wrapped,
    "cut in the middle": lambda text: text[: len(text) * 2 // 3] + "\n",
    "indentation lost": _lines(lambda line: line.lstrip()),
    "blanks run together": _lines(lambda line: line[: len(line) - len(line.lstrip())] + " ".join(line.split())),
}


@cache
def facts(text: str) -> dict:
    return read_listings(text).unit.model_dump(exclude=APART)


@pytest.mark.parametrize("damage", HARMLESS)
def test_harmless_damage_changes_nothing(damage):
    changed = {
        name: {key: (value, after[key]) for key, value in facts(text).items() if after[key] != value}
        for name, text in TEXTS.items()
        if (after := facts(HARMLESS[damage](text))) != facts(text)
    }
    assert not changed


# What a cut takes away may turn up as less of the same: fewer devices, fewer places for memory, one name of two.
_LISTS = {"devices", "wireless", "graphics", "ethernet", "cpu_flags", "ram_modules", "storage_mode"}
_COUNTS = {"ram_gib", "ram_slots", "ram_slots_free", "cpu_threads", "cpu_cores"}


def _ids(devices: str) -> list[str]:
    return [one.partition("sv")[0] for one in devices.split("; ")]


@pytest.mark.parametrize("damage", LOSSY)
def test_lossy_damage_gives_the_same_or_a_named_loss(damage):
    wrong = []
    for name, text in TEXTS.items():
        try:
            after = read_listings(LOSSY[damage](text))
        except Exception as refused:  # nothing at all was left of it, and that is said
            assert "no listing that is known" in str(refused)
            continue
        for key, value in facts(text).items():
            now = getattr(after.unit, key)
            if now == value or (now is None and (key in after.unread or key in ("image", "asset_tag"))):
                continue
            if damage == "cut in the middle" and key in _LISTS | _COUNTS:
                continue
            if key == "devices" and now and _ids(now) == _ids(value):
                continue  # a subsystem's line that was broken leaves the subsystem open
            if key == "cpu_flags" and now and level_of_flags(now) == level_of_flags(value):
                continue  # where a window broke a line within a word can no longer be told; what decides is whole
            wrong.append((name, key, value, now))
    assert not wrong


# Seen to fall: what stood behind the carriage return, and quoting behind markup.
@example(sorted(TEXTS)[0], ["carriage returns", "blanks at the end"])
@example(sorted(TEXTS)[0], ["carriage returns", "colours"])
@example("rtl8192cu-lsusb-wrapped", ["quoted twice", "forum markup"])
@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(TEXTS)), st.lists(st.sampled_from(sorted(HARMLESS)), min_size=2, max_size=4, unique=True))
def test_damages_add_up_to_nothing(name, damages):
    text = TEXTS[name]
    for damage in damages:
        text = HARMLESS[damage](text)
    assert facts(text) == facts(TEXTS[name])


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_every_line_is_accounted_for(name):
    """Each line that is not blank lies within a part that the ledger names, but commands and prompts."""
    lines = TEXTS[name].split("\n")
    spans = [line.partition(":")[0] for line in read_machines(TEXTS[name])[0].ledger]
    held: set[int] = set()
    for span in spans:
        numbers = [int(word) for word in span.split() if word.isdigit()]
        held |= set(range(numbers[0], numbers[-1] + 1))
    loose = [line for number, line in enumerate(lines, 1) if line.strip(" `") and number not in held]
    said = r"[$#%>]|ls(?:pci|cpi|cpu|blk|usb)|grep|sudo|Output|smartctl|percentage|</|node|chronos|upower|\[|info:|`"
    assert [line for line in loose if not re.search(said, line)] == []
