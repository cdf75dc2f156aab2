"""The HTML: self-contained, escaped, grey, its text beside its pictures."""

from __future__ import annotations

import base64
import dataclasses
import re
import struct
from html.parser import HTMLParser

import pytest

from advisor.advice.record import Mark
from advisor.errors import InputError
from advisor.sheet import render_html, render_text
from advisor.sheet.marks import mark

from .conftest import HOSTILE

TAGS = {"html", "head", "meta", "title", "style", "body", "figure", "img", "details", "summary", "pre"}
ATTRIBUTES = {"lang", "charset", "class", "src", "alt"}


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.alternatives: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.alternatives += [value for name, value in attrs if name == "alt"]

    def handle_data(self, data):
        self.text.append(data)


def _read(html: str) -> _Reader:
    reader = _Reader()
    reader.feed(html)
    return reader


def _pictures(html: str) -> list[str]:
    return [base64.b64decode(one).decode() for one in re.findall(r"data:image/svg\+xml;base64,([^\"]+)", html)]


@pytest.mark.parametrize("name", ["plain", "held", "aside", "long", "unbroken"])
def test_only_the_page_makes_markup(sheets, name):
    reader = _read(render_html(sheets[name]))
    assert reader.tags == TAGS
    assert reader.attributes == ATTRIBUTES


def test_hostile_texts_come_out_as_text(sheets):
    tag = '"><img src=x onerror=alert(1)>'
    one = dataclasses.replace(sheets["plain"], title=HOSTILE, notes=HOSTILE, tag=tag, headline=HOSTILE)
    html = render_html(one)
    assert "<script" not in html and html.count("<img") == 1
    reader = _read(html)
    assert "<script>alert(1)</script><b>bold</b> {{ 7*7 }}" in " ".join("".join(reader.text).split())
    assert reader.alternatives[0].startswith(f"Sheet of {tag}: <script>")
    # Texts are outlines in the picture, so that none of them is in it at all.
    assert "script" not in _pictures(html)[0] and "onerror" not in _pictures(html)[0]


def test_a_picture_and_its_text_a_page(sheets):
    some = [sheets["plain"], sheets["held"], sheets["aside"]]
    html = render_html(some)
    pictures = _pictures(html)
    assert len(pictures) == 3
    # ISO 216: A4 is 210 mm by 297 mm, and a point 25.4/72 mm.
    for picture in pictures:
        width, height = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt"', picture).groups()
        assert (float(width), float(height)) == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.01)
    text = "".join(_read(html).text)
    assert all(render_text(one) in text for one in some)


def test_nothing_is_fetched(sheets):
    html = render_html([sheets["plain"], sheets["long"]])
    whole = "".join([html, *_pictures(html)])
    addresses = set(re.findall(r"https?://[^\s\"'<)]+", whole))
    assert all(one.startswith("http://www.w3.org/") for one in addresses), addresses
    assert set(re.findall(r"(?:url\(|src=.|href=.)([a-z#]+)", whole)) <= {"data", "#g", "#", "g"}
    assert "@import" not in whole


def test_colours_are_grey(sheets):
    html = render_html(sheets["plain"])
    colours = re.findall(r"(?:[:\"] ?|stroke: )#([0-9a-fA-F]{3,8})\b", "".join([html, *_pictures(html)]))
    assert len(colours) > 20
    for colour in colours:
        parts = [colour[n : n + len(colour) // 3] for n in range(0, len(colour), len(colour) // 3)]
        assert len(set(parts)) == 1, colour


def test_every_mark_has_its_own_shape():
    drawn = {str(mark(name)) for name in Mark}
    assert len(drawn) == len(Mark)
    assert str(mark("unheard of")) == str(mark(Mark.QUERY))


def test_nothing_to_print_is_said():
    with pytest.raises(InputError, match="no unit"):
        render_html([])


def test_many_pages_are_dots_and_small(sheets, monkeypatch):
    """PNG specification, section 11.2.1: bit depth and colour type stand behind width and height; 3 is a palette."""
    monkeypatch.setattr("advisor.sheet.html.SHARP_MOST", 1)
    html = render_html([sheets["plain"], sheets["held"]])
    pictures = [base64.b64decode(one) for one in re.findall(r"data:image/png;base64,([^\"]+)", html)]
    assert len(pictures) == 2
    for picture in pictures:
        width, height = struct.unpack(">II", picture[16:24])
        assert (width, height) == (round(210 / 25.4 * 150), round(297 / 25.4 * 150))
        assert (picture[24], picture[25]) == (4, 3)
        assert len(picture) < 250_000
