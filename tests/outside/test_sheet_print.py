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


def test_browser_prints_a_page_a_unit(need, tmp_path):
    sheets = [made.plain(), made.held(), made.aside(), made.crammed(made.LONG), *(made.mixed(n) for n in range(40))]
    page, out = tmp_path / "sheets.html", tmp_path / "sheets.pdf"
    page.write_text(render_html(sheets), encoding="utf-8")
    _chromium(need, tmp_path, f"--print-to-pdf={out}", "--no-pdf-header-footer", page.as_uri())
    assert len(pypdf.PdfReader(out).pages) == len(sheets)


def test_nothing_is_cut_off_in_a_browser(need, tmp_path):
    sheets = [made.plain(), made.held(), made.aside(), made.crammed(made.LONG), *(made.mixed(n) for n in range(40))]
    script = """<script>document.fonts.ready.then(() => { const pages = [...document.querySelectorAll('.page')];
      const columns = document.querySelectorAll('.page .columns > div').length;
      document.title = pages.length + ' pages, ' + columns + ' columns, over ' +
      pages.map((p, n) => [n, p.scrollHeight - p.clientHeight,
        p.querySelector('.foot').getBoundingClientRect().bottom - p.getBoundingClientRect().bottom,
        Math.max(...[...p.querySelectorAll('.columns > div')].map(c => c.getBoundingClientRect().bottom))
          - p.querySelector('.columns').getBoundingClientRect().bottom])
      .filter(r => r[1] > 1 || r[2] > 0 || r[3] > 1).map(r => r.join(':')).join(' ') + ' end'; });</script>"""
    page = tmp_path / "sheets.html"
    page.write_text(render_html(sheets).replace("</body>", script + "</body>"), encoding="utf-8")
    shown = _chromium(need, tmp_path, "--virtual-time-budget=10000", "--dump-dom", page.as_uri())
    title = re.search(r"<title>(.*?)</title>", shown, re.S).group(1)
    # A pixel of rounding is let through. That pages and columns were found is part of what is said.
    assert title == f"{len(sheets)} pages, {2 * len(sheets)} columns, over  end", title


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
