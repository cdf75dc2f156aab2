"""The sheet held against a browser, a barcode reader and a PDF renderer.

References: chromium (Debian package chromium), zbarimg (zbar-tools 0.23), pdftoppm (poppler-utils 22).
"""

from __future__ import annotations

import dataclasses
import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pypdf
import pytest

from advisor.sheet import render_html, render_pdf

pytestmark = pytest.mark.outside


def _load_sheets():
    path = Path(__file__).resolve().parents[1] / "sheet" / "conftest.py"
    spec = importlib.util.spec_from_file_location("sheets_made_by_hand", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


made = _load_sheets()


def _chromium(need, tmp_path: Path, *words: str) -> str:
    program = need("chromium")
    done = subprocess.run(
        [program, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}", *words],
        capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    return done.stdout


@pytest.mark.slow
def test_browser_prints_a_page_a_unit(need, tmp_path):
    sheets = [made.plain(), made.held(), made.aside(), made.crammed(made.LONG), *(made.mixed(n) for n in range(8))]
    page, out = tmp_path / "sheets.html", tmp_path / "sheets.pdf"
    page.write_text(render_html(sheets), encoding="utf-8")
    _chromium(need, tmp_path, f"--print-to-pdf={out}", "--no-pdf-header-footer", page.as_uri())
    assert len(pypdf.PdfReader(out).pages) == len(sheets)


@pytest.mark.slow
def test_nothing_is_cut_off_in_a_browser(need, tmp_path):
    sheets = [made.plain(), made.held(), made.aside(), made.crammed(made.LONG), *(made.mixed(n) for n in range(8))]
    script = """<script>addEventListener('load', () => { const pages = [...document.querySelectorAll('.page img')];
      const mm = 96 / 25.4;
      document.title = pages.length + ' pages, wrong ' + pages.map((p, n) => [n, p.complete && p.naturalWidth > 0,
        Math.abs(p.width - 210 * mm) < 1, Math.abs(p.height - 297 * mm) < 1]).filter(r => r.includes(false)).join(' ')
      + ' end'; });</script>"""
    page = tmp_path / "sheets.html"
    page.write_text(render_html(sheets).replace("</body>", script + "</body>"), encoding="utf-8")
    shown = _chromium(need, tmp_path, "--virtual-time-budget=20000", "--dump-dom", page.as_uri())
    title = re.search(r"<title>(.*?)</title>", shown, re.S).group(1)
    # CSS Values 4: 96 px are an inch. A pixel of rounding is let through; that pages were found is part of the title.
    assert title == f"{len(sheets)} pages, wrong  end", title


def _words(need, tmp_path: Path, sheets) -> list[list[tuple[str, float, float, float, float]]]:
    """Words of each page with the boxes that poppler gives them [pt]."""
    (tmp_path / "some.pdf").write_bytes(render_pdf(sheets))
    command = [need("pdftotext"), "-bbox", "some.pdf", "-"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True)
    box = re.compile(r'<word xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)">(.*?)</word>')
    pages = done.stdout.split("<page ")[1:]
    return [[(one[4], *map(float, one[:4])) for one in box.findall(page)] for page in pages]


@pytest.mark.slow
def test_no_word_runs_into_another_or_off_the_paper(need, tmp_path):
    rungs = tuple(dataclasses.replace(one, desktop_s="1034–1167", browser_s="1024–1129") for one in made.plain().rungs)
    wide = dataclasses.replace(made.plain(), rungs=rungs)
    sheets = [made.plain(), wide, made.held(), made.aside(), made.crammed(made.LONG)]
    sheets += [made.mixed(n) for n in range(20)]
    pages = _words(need, tmp_path, sheets)
    assert len(pages) == len(sheets) and all(len(words) > 80 for words in pages)
    assert any("1034–1167" in word for word, *_ in pages[1])
    for number, words in enumerate(pages):
        for word, left, top, right, bottom in words:
            assert left >= 27 and right <= 568 and top >= 20 and bottom <= 842 - 18, (number, word)
        # Half a point of side bearing; boxes are as high as the font's ascent and descent, so lines may touch.
        for at, (word, left, top, right, bottom) in enumerate(words):
            for other, left2, top2, right2, bottom2 in words[at + 1 :]:
                apart = right <= left2 + 0.5 or right2 <= left + 0.5
                apart = apart or bottom - top2 < 0.4 * (bottom2 - top2) or bottom2 - top < 0.4 * (bottom - top)
                assert apart, (number, word, other)


@pytest.mark.slow
@pytest.mark.parametrize("tag", ["OM-1001", "A/7 #3 & <b>", "gerät-ß-0042", "x" * 80])
def test_code_reads_back_from_the_paper(need, tmp_path, tag):
    reader, renderer = need("zbarimg"), need("pdftoppm")
    sheet = dataclasses.replace(made.plain(), tag=tag, code=tag)
    (tmp_path / "one.pdf").write_bytes(render_pdf(sheet))
    subprocess.run([renderer, "-r", "200", "-gray", "-png", "one.pdf", "one"], cwd=tmp_path, check=True)
    done = subprocess.run(
        [reader, "--raw", "-q", "-Sdisable", "-Sqrcode.enable", "one-1.png"], cwd=tmp_path, capture_output=True
    )
    assert done.stdout.decode("utf-8").rstrip("\n") == tag


def test_paper_is_grey(need, tmp_path):
    renderer = need("pdftoppm")
    (tmp_path / "one.pdf").write_bytes(render_pdf(made.plain()))
    subprocess.run([renderer, "-r", "50", "one.pdf", "one"], cwd=tmp_path, check=True)
    header, _, pixels = (tmp_path / "one-1.ppm").read_bytes().partition(b"\n255\n")
    assert header.startswith(b"P6")
    assert pixels[0::3] == pixels[1::3] == pixels[2::3]
    assert len(set(pixels)) > 2
