"""The slip says in plain words what the PC is, what runs on it and how to start; hostile names stay text."""

from __future__ import annotations

import io

import pytest
from base import plant_clean, put
from pypdf import PdfReader

from advisor.handover import check, slip
from advisor.unit import Unit


@pytest.fixture
def root(tmp_path):
    plant_clean(tmp_path)
    packages = "".join(
        f"Package: {name}\nStatus: install ok installed\nArchitecture: amd64\nVersion: 1\n\n"
        for name in ("xfce4-panel", "firefox-esr", "libreoffice-writer")
    )
    put(tmp_path, "var/lib/dpkg/status", packages)
    return tmp_path


UNIT = Unit(asset_tag="OM-1", maker="#let", model="*x* $y$", cpu="Core i5-6300U", ram_gib=8, storage_gib=240)


def test_the_words(root):
    said = slip.content(UNIT, slip.system_of(root), "the shop", check(root))
    lines = [line for part in said["parts"] for line in part["lines"]]
    assert "with the Xfce desktop" in lines and "Memory: 8 GB" in lines
    assert "Firefox for the web" in lines and "LibreOffice for letters and tables" in lines
    assert any(line.startswith("Debian 12") for line in lines)
    assert said["foot"].endswith("nothing of former owners was found.")


def test_a_slip_never_says_clean_of_a_unit_that_is_not(root):
    put(root, "root/.bash_history", "ls\n")
    assert "nothing" not in slip.content(UNIT, slip.system_of(root), "the shop", check(root))["foot"]


def test_the_page(root):
    page = slip.render_pdf(UNIT, slip.system_of(root), "the shop", check(root))
    reader = PdfReader(io.BytesIO(page))
    assert len(reader.pages) == 1
    text = reader.pages[0].extract_text()
    assert "#let *x* $y$" in text and "How to start" in text
    assert page == slip.render_pdf(UNIT, slip.system_of(root), "the shop", check(root))
