"""Alias matching against the C library's own fnmatch(3), which the kernel's module tools use."""

from __future__ import annotations

import ctypes
import ctypes.util
import re

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from advisor.drivers import load
from advisor.drivers.matching import PackedIndex, TextIndex, fnmatch, normalise
from advisor.drivers.packing import LAYOUTS, PCI, USB, BusLayout, pack, pack_pattern, pattern_text

_LIBC = ctypes.CDLL(ctypes.util.find_library("c"))


def libc_match(pattern: str, text: str) -> bool:
    """fnmatch(3) without flags, of the C library of this machine."""
    return _LIBC.fnmatch(pattern.encode(), text.encode(), 0) == 0


def hex_digits(count: int) -> st.SearchStrategy[str]:
    return st.text("0123456789ABCDEF", min_size=count, max_size=count)


@st.composite
def modaliases(draw: st.DrawFn, layout: BusLayout) -> str:
    # Few values, so that patterns and modaliases meet.
    parts = []
    for part in layout.parts:
        kept = part.bits // 4
        parts.append(part.tag + "0" * (part.digits - kept) + draw(st.sampled_from("012AF")) * kept)
    return layout.bus + ":" + "".join(parts)


@st.composite
def patterns(draw: st.DrawFn, layout: BusLayout) -> str:
    parts = []
    for part in layout.parts:
        kept = part.bits // 4
        zeros = "0" * (part.digits - kept)
        digit = draw(st.sampled_from("012AF"))
        form = draw(st.sampled_from(["*", "whole", "prefix", "suffix", "range", "one", "prefix range"]))
        body = {
            "*": "*",
            "whole": zeros + digit * kept,
            "prefix": zeros + digit * (kept - 1) + "*",
            "suffix": "*" + digit,
            "range": zeros + "[0-2]" * kept,
            "one": zeros + "?" * kept,
            "prefix range": zeros + "[1-9A-F]*",
        }[form]
        parts.append(part.tag + body)
    return layout.bus + ":" + "".join(parts) + draw(st.sampled_from(["", "*"]))


def packed_words(layout: BusLayout, texts: list[str]) -> np.ndarray:
    """Both words of modaliases that are all of this bus, and their known bits: shape (4, n)."""
    found = [pack(text) or ("", ()) for text in texts]
    assert {bus for bus, _ in found} == {layout.bus}
    return np.array([words for _, words in found], dtype=np.uint64).T


@pytest.mark.slow
@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.bus)
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_packed_patterns_match_as_the_c_library_does(layout: BusLayout, data: st.DataObject):
    pattern = data.draw(patterns(layout))
    texts = data.draw(st.lists(modaliases(layout), min_size=1, max_size=12))
    entries = pack_pattern(layout, pattern)
    assume(entries is not None)
    words = np.array(entries, dtype=np.uint64).reshape(-1, 4)
    index = PackedIndex(layout, *(np.ascontiguousarray(words[:, at]) for at in range(4)))
    rows, _ = index.candidates(*packed_words(layout, texts))
    assert sorted(set(rows.tolist())) == [at for at, text in enumerate(texts) if libc_match(pattern, text)]


@pytest.mark.parametrize(
    ("pattern", "text", "fits"),
    [
        # By hand from IEEE Std 1003.1-2017, Shell and Utilities, 2.13, as fnmatch(3) without flags applies it; '^'
        # for '!' is from glob(7).
        ("acpi*:LEN0068:*", "acpi:IBM0068:LEN0068:", True), ("a*b", "a/.b", True), ("a?", "a", False),
        ("[!a]b", "ab", False), ("[^a]b", "cb", True), ("[a-c]x", "bx", True), (r"a\*", "a*", True),
        (r"a\*", "ab", False), ("a*", "a\0", False), ("a*", "a\ud800", True),
    ],
)  # fmt: skip
def test_text_patterns_match_as_the_standard_has_it(pattern: str, text: str, fits: bool):
    assert fnmatch(pattern, text) is fits


def test_a_packed_pattern_can_be_written_again():
    # Linux 7.3, module uas: a range of bcdDevice.
    pattern = "usb:v13FDp3940d0[0-2]*dc*dsc*dp*ic*isc*ip*in*"
    again = [pattern_text(USB, *entry) for entry in pack_pattern(USB, pattern) or []]
    assert again == [f"usb:v13FDp3940d0{digit}*dc*dsc*dp*ic*isc*ip*in*" for digit in "012"]


def test_odd_patterns_are_left_to_the_text_matcher():
    # Linux 6.1 and 7.3, module snd_usb_audio: three digits where a modalias has four.
    assert pack_pattern(USB, "usb:v0763p1031d010dc*dsc*dp*ic*isc*ip*in*") is None
    assert pack_pattern(PCI, "pci:v00008086*") is None


@pytest.mark.parametrize(
    "broken",
    [
        "pci:v00008086d000024F3sv00008086sd00001010bc02sc80i0",
        "pci:v00008086d000024f3sv00008086sd00001010bc02sc80i00",
        "pci:v00018086d000024F3sv00008086sd00001010bc02sc80i00",
        "pci:v00008086d000024F3sv00008086sd00001010bc02sc80iG0",
        "pci:v0000808:d000024F3sv00008086sd00001010bc02sc80i00",
        "pci:v0000808@d000024F3sv00008086sd00001010bc02sc80i00",
        "pci:v0000808öd000024F3sv00008086sd00001010bc02sc80i00",
        "PCI:v00008086d000024F3sv00008086sd00001010bc02sc80i00",
        "",
    ],
)
def test_what_is_not_canonical_is_not_packed(broken: str):
    good = "pci:v00008086d000024F3sv00008086sd00001010bc02sc80i00"
    assert pack(broken) is None
    assert pack(good) == ("pci", (0x808624F380861010, 0x028000, 2**64 - 1, 2**64 - 1))


def test_a_line_break_in_a_modalias_shifts_nothing():
    good = "usb:v0BDApC811d0200dc00dsc00dp00icFFiscFFipFFin00"
    assert [pack(text) is not None for text in ("a\nb", good, "\n", good + "\n")] == [False, True, False, False]
    assert load("debian-13").resolve(["a\nb", good, "\n"]) == [[], load("debian-13").resolve([good])[0], []]


@pytest.mark.parametrize(
    ("given_text", "wanted"),
    [
        # kmod's alias_normalize: dashes become underscores, not inside brackets; an unpaired bracket is refused.
        ("hid-sensor-hub", "hid_sensor_hub"),
        ("dmi:*[a-z]-b", "dmi:*[a-z]_b"),
        ("platform:a]b", None),
        ("platform:a[b", None),
    ],
)
def test_dashes_are_written_as_kmod_writes_them(given_text: str, wanted: str | None):
    assert normalise(given_text) == wanted


def test_acpi_ids_are_found_wherever_they_stand():
    index = TextIndex(["acpi*:PNP0303:*", "acpi*:PNP0F13:*", "acpi*:MSFT*:*"])
    for text in (
        "acpi:PNP0303:",
        "acpi:LEN0071:PNP0303:",
        "acpi:LEN0071:PNP0F13:PNP0303:",
        "acpi:MSFT0001:",
        "acpi:PNP0303",
    ):
        assert index.matches(text) == [at for at, pattern in enumerate(index.patterns) if libc_match(pattern, text)]


def test_made_up_questions_are_whole_modaliases():
    # Patterns of Linux 7.3: iwlwifi, uas, snd_hda_codec_realtek, brcmfmac, hid.
    import random

    from advisor.lab.tables.check import concrete

    chance = random.Random(2)
    for pattern in (
        "pci:v00008086d000024F3sv*sd00001010bc*sc*i*",
        "pci:v*d*sv*sd*bc01sc06i01*",
        "usb:v13FDp3940d0[0-2]*dc*dsc*dp*ic*isc*ip*in*",
        "hdaudio:v10EC0269r*a01*",
        "sdio:c*v02D0d4330*",
        "hid:b0003g*v0000046Dp0000C52B",
    ):
        question = concrete(pattern, chance)
        assert libc_match(pattern, question)
        assert pack(question), question


ALIASES = {
    "pci": "v%08X d%08X sv%08X sd%08X bc%02X sc%02X i%02X",
    "usb": "v%04X p%04X d%04X dc%02X dsc%02X dp%02X ic%02X isc%02X ip%02X in%02X",
    "hid": "b%04X g%04X v%08X p%08X", "hdaudio": "v%08X r%08X a%02X", "sdio": "c%02X v%04X d%04X",
}  # fmt: skip
"""Fields of modaliases as scripts/mod/file2alias.c of Linux 6.12 writes them."""


def test_fields_are_laid_out_as_the_kernel_writes_them():
    found = {one.bus: " ".join(f"{part.tag}%0{part.digits}X" for part in one.parts) for one in LAYOUTS}
    assert found == ALIASES
    for layout in LAYOUTS:
        taken = [(part.word, bit) for part in layout.parts for bit in range(part.shift, part.shift + part.bits)]
        assert len(set(taken)) == len(taken) and all(word in (0, 1) and bit < 64 for word, bit in taken)


FORMS = ("*", "{0}", "{1}*", "*{2}", "{3}[0-2A]", "[!0-9]*", "{3}?", "{1}[1-9A-F]*", "[0-9]*", "**", "{1}*{2}")
"""How a pattern leaves a field open: whole, beginning, end, range, one digit, and mixtures; not all can be packed."""


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.bus)
def test_each_field_of_a_pattern_is_matched_as_the_c_library_does(layout: BusLayout) -> None:
    """What is packed, and what is written of it again, match the same modaliases as fnmatch(3)."""
    texts = []
    for at in range(16):
        digits = f"{at * 0x1357 + 0x2A:08X}"
        texts.append(f"{layout.bus}:" + "".join(
            part.tag + "0" * (part.digits - part.bits // 4) + digits[-(part.bits // 4) :].rjust(part.bits // 4, "0")
            for part in layout.parts
        ))  # fmt: skip
    texts += [
        texts[0].replace(part.tag + "0", part.tag + "F", 1) for part in layout.parts if part.bits == 4 * part.digits
    ]
    words_of = packed_words(layout, texts)
    packed = 0
    for at, part in enumerate(layout.parts):
        whole = re.fullmatch(layout.canonical, texts[3])
        assert whole is not None
        value = whole[at + 1].rjust(part.digits, "0")
        for form in FORMS:
            field = form.format(value, value[: part.digits // 2], value[-1], value[:-1])
            pattern = f"{layout.bus}:" + "".join(
                one.tag + (field if one is part else "*") for one in layout.parts
            )  # fmt: skip
            entries = pack_pattern(layout, pattern)
            if entries is None:
                continue
            packed += 1
            words = np.array(entries, dtype=np.uint64).reshape(-1, 4)
            index = PackedIndex(layout, *(np.ascontiguousarray(words[:, column]) for column in range(4)))
            found = set(index.candidates(*words_of)[0].tolist())
            expected = {number for number, text in enumerate(texts) if libc_match(pattern, text)}
            again = {number for entry in entries for number, text in enumerate(texts)
                     if libc_match(pattern_text(layout, *entry), text)}  # fmt: skip
            assert found == expected, pattern
            assert again == expected, pattern
    assert packed >= 4 * len(layout.parts)
