"""The HTML: self-contained, escaped, grey."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser

import pytest

from advisor.advice.record import Mark
from advisor.errors import InputError
from advisor.sheet import render_html
from advisor.sheet.html import mark

from .conftest import HOSTILE

TAGS = {
    "html", "head", "meta", "title", "style", "body", "section", "header", "footer", "div", "h1", "h2", "span", "b",
    "br", "table", "colgroup", "col", "thead", "tbody", "tfoot", "tr", "th", "td", "svg", "path", "circle",
}  # fmt: skip
ATTRIBUTES = {
    "lang", "charset", "name", "content", "class", "style", "aria-label", "aria-hidden", "viewbox", "width", "height",
    "fill", "stroke", "stroke-width", "d", "cx", "cy", "r", "colspan", "scope", "xmlns", "transform",
}  # fmt: skip


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.text: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data):
        self.text.append(data)


def _read(html: str) -> _Reader:
    reader = _Reader()
    reader.feed(html)
    return reader


@pytest.mark.parametrize("name", ["plain", "held", "aside", "long", "unbroken"])
def test_only_the_template_makes_markup(sheets, name):
    reader = _read(render_html(sheets[name]))
    assert reader.tags <= TAGS
    assert reader.attributes <= ATTRIBUTES


def test_hostile_texts_come_out_as_text(sheets):
    one = dataclasses.replace(sheets["plain"], title=HOSTILE, notes=HOSTILE, tag='"><img src=x onerror=alert(1)>')
    html = render_html(one)
    assert "<script" not in html and "<img" not in html
    text = " ".join("".join(_read(html).text).split())
    assert "<script>alert(1)</script><b>bold</b> {{ 7*7 }}" in text
    assert '"><img' in text


def test_nothing_is_fetched(sheets):
    html = render_html([sheets["plain"], sheets["long"]])
    addresses = set(re.findall(r"https?://[^\s\"')]+", html)) - {"http://www.w3.org/2000/svg"}
    assert not addresses
    assert set(re.findall(r"url\((\w+:[^;,]*)", html)) == {"data:font/otf"}
    assert "@import" not in html


def test_colours_are_grey(sheets):
    html = render_html(sheets["plain"])
    colours = re.findall(r"(?<!&)#([0-9a-fA-F]{3,8})\b", html)
    assert colours
    for colour in colours:
        parts = [colour[n : n + len(colour) // 3] for n in range(0, len(colour), len(colour) // 3)]
        assert len(set(parts)) == 1, colour


def test_every_mark_has_its_own_shape():
    drawn = {str(mark(name)) for name in Mark}
    assert len(drawn) == len(Mark)
    assert str(mark("unheard of")) == str(mark(Mark.QUERY))


def test_fonts_are_shared_by_all_pages(sheets):
    one, three = render_html(sheets["plain"]), render_html([sheets["plain"]] * 3)
    assert three.count("data:font/otf") == one.count("data:font/otf") == 2
    assert three.count('class="page"') == 3


def test_nothing_to_print_is_said():
    with pytest.raises(InputError, match="no unit"):
        render_html([])
