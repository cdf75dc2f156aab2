"""The batch view in a real browser, on the demo's sheet and on ten thousand rows."""

from __future__ import annotations

import io

import pandas as pd
import pytest

from advisor.files import datasets


@pytest.fixture
def page(visit, batch_app):
    return visit(batch_app, "#ba-open")


def test_a_sheet_is_scored_sorted_narrowed_and_saved(page, tmp_path):
    page.set_input_files("#ba-file", datasets() / "demo" / "intake.csv")
    page.get_by_text("60 rows of intake.csv scored").wait_for()
    page.get_by_text("Rows 1 to 25 of 60").wait_for()
    page.click("#ba-sort-hands_on_min")
    page.click("#ba-sort-hands_on_min")
    page.locator("th[aria-sort=descending]", has_text="Hands-on").wait_for()
    hands = [float(one) for one in page.locator(".ba-paged tbody td:nth-child(6)").all_inner_texts() if one != "–"]
    assert hands == sorted(hands, reverse=True) and len(hands) > 5
    page.select_option("#ba-only-advice", "standard image")
    page.wait_for_function(
        "[...document.querySelectorAll('.ba-paged td:nth-child(3)')]"
        ".every(e => e.innerText.trim() === 'standard image')"
    )
    page.locator(".ba-paged tbody button").first.click()
    page.wait_for_function("document.activeElement.id === 'ba-one-title'")
    with page.expect_download() as download:
        page.click("#ba-csv")
    path = tmp_path / "scored.csv"
    download.value.save_as(path)
    saved = pd.read_csv(path)
    assert len(saved) == 60 and {"advice", "edition", "reasons"} <= set(saved.columns)
    with page.expect_download() as download:
        page.click("#ba-pdf")
    download.value.save_as(tmp_path / "sheets.pdf")
    pypdf = pytest.importorskip("pypdf")
    shown = int(page.locator(".ba-turner span").inner_text().rsplit(" ", 1)[1])
    assert len(pypdf.PdfReader(tmp_path / "sheets.pdf").pages) == shown
    assert not page.failures and not page.strangers


def test_axe_finds_nothing_serious_on_the_batch(page):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page.set_input_files("#ba-file", datasets() / "demo" / "intake.csv")
    page.get_by_text("60 rows of intake.csv scored").wait_for()
    found = axe.Axe().run(page).response["violations"]
    assert not [
        (one["id"], [node["html"][:160] for node in one["nodes"]])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


def test_ten_thousand_rows_show_one_page(page, tmp_path):
    demo = pd.read_csv(datasets() / "demo" / "intake.csv", dtype=str)
    many = pd.concat([demo] * 167, ignore_index=True).head(10_000)
    many.iloc[:, 0] = [f"M-{number:05d}" for number in range(len(many))]
    buffer = io.StringIO()
    many.to_csv(buffer, index=False)
    (tmp_path / "many.csv").write_text(buffer.getvalue())
    page.set_input_files("#ba-file", tmp_path / "many.csv")
    page.locator("progress").wait_for()
    page.get_by_text("Rows 1 to 25 of 10000").wait_for(timeout=300_000)
    assert page.locator(".ba-paged tbody tr").count() == 25
    page.fill("#ba-words", "m-09999")
    page.get_by_text("Rows 1 to 1 of 1").wait_for()
    assert page.locator("#ba-words").input_value() == "m-09999"
