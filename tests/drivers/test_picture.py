"""The picture is XML that says in words and shapes what the verdicts say, and carries nothing that runs."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from advisor import drivers
from advisor.drivers import picture
from advisor.shop import Image, default_shop
from advisor.unit import Support, Unit, frame

SVG = "{http://www.w3.org/2000/svg}"
NASTY = "pci:v0<script>alert('1')</script>&\x00\x1b\""


@pytest.fixture(scope="module")
def verdicts():
    bare = Image(name="<b>bare</b> & 'odd'", release="13", kernel="debian-13", firmware=("area:main",))
    units = [
        Unit(devices=f"usb:0bda:c811;pci:14e4:43b1;pci:8086:24f3;usb:06cb:009a;{NASTY}", graphics="no such chip <i>"),
        Unit(),
        Unit(wireless="AX201"),
    ]
    return drivers.assess(frame(units), [*default_shop().images, bare])


def texts(drawing: str) -> str:
    return " ".join(node.text or "" for node in ET.fromstring(drawing).iter(f"{SVG}text"))


def test_it_is_plain_svg(verdicts):
    drawing = picture.svg(verdicts, 0)
    names = {node.tag.removeprefix(SVG) for node in ET.fromstring(drawing).iter()}
    assert names <= {"svg", "title", "desc", "rect", "path", "circle", "g", "text"}
    assert "<script" not in drawing and "<b>" not in drawing and "<i>" not in drawing
    assert "href" not in drawing and "url(" not in drawing


def test_support_is_in_words_and_in_distinct_shapes(verdicts):
    drawing = picture.svg(verdicts, 0)
    said = texts(drawing)
    for word in ("works", "needs firmware", "newer kernel", "separate driver", "no driver", "unknown"):
        assert word in said or all(part in said for part in word.split())
    assert len({picture._SHAPES[support] for support in Support}) == len(Support)


def test_only_greys_are_used(verdicts):
    import re

    for colour in re.findall(r"#([0-9a-f]{3,6})\b", picture.svg(verdicts, 0)):
        assert colour in ("fff",) or colour[0:2] == colour[2:4] == colour[4:6], colour


def test_every_text_stays_inside(verdicts):
    root = ET.fromstring(picture.svg(verdicts, 0))
    _, _, width, height = (float(number) for number in root.get("viewBox", "").split())
    assert width == picture.WIDTH
    for node in root.iter(f"{SVG}text"):
        if node.get("x") is None:
            continue
        assert float(node.get("y", 0)) <= height
        # DejaVu Sans Bold's letters are 0.69 of their size wide on the average (its AFM metrics, lower case).
        assert float(node.get("x", 0)) + 0.69 * float(node.get("font-size", 0)) * len(node.text or "") <= width + 4


def test_many_images_go_in_blocks(verdicts):
    images = [default_shop().images[0].model_copy(update={"name": f"image-{number}"}) for number in range(8)]
    drawing = picture.svg(drivers.assess(frame([Unit(wireless="AX201")]), images), 0)
    assert all(f"image-{number}" in texts(drawing) for number in range(8))
    assert texts(drawing).count("AX201") == 2


def test_a_unit_without_devices_says_so(verdicts):
    assert "No device of this unit is known" in picture.svg(verdicts, 1)
