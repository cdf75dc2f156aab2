"""The model review in a real browser, with the demo's invented log and with the shop's own."""

from __future__ import annotations

import pytest


@pytest.fixture
def page(visit, review_app):
    return visit(review_app, "#ba-judge")


def test_the_invented_log_is_shown_before_and_after_and_says_what_it_is(page):
    page.locator("#ba-judge:focus").wait_for()
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Before and after 200 logged units").wait_for()
    assert page.get_by_text("This log is invented").count() >= 2
    table = page.get_by_role("group", name="Before and after learning")
    rows = [row.inner_text().split("\t") for row in table.locator("tbody tr").all()]
    assert rows[0][0] == "all units" and int(rows[0][1]) == sum(int(row[1]) for row in rows[1:])
    assert all(any(word in row[-1] for word in ("better", "worse", "as before")) for row in rows)
    drawings = page.locator(".ba-drawing[role=img]")
    assert drawings.count() >= 3
    assert all(one.get_attribute("aria-label") for one in drawings.all())
    page.locator("#ba-versions > summary").click()
    page.get_by_role("row", name="shipped").get_by_text("serves").wait_for()
    assert not page.failures and not page.strangers


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_on_the_review(visit, review_app, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page = visit(review_app, "#ba-judge", color_scheme=scheme)
    page.click("#ba-demo")
    page.get_by_role("heading", name="Before and after 200 logged units").wait_for()
    page.locator("#ba-provenance > summary").click()
    found = axe.Axe().run(page).response["violations"]
    assert not [
        (one["id"], [node["html"][:160] for node in one["nodes"]])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (1920, 1080)])
def test_nothing_is_wider_than_the_screen(visit, review_app, width, height):
    page = visit(review_app, "#ba-judge", viewport={"width": width, "height": height})
    page.click("#ba-demo")
    page.get_by_role("heading", name="Before and after 200 logged units").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_paper_shows_the_whole_page_in_ink(visit, review_app, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    page = visit(review_app, "#ba-judge", color_scheme="dark")
    page.click("#ba-demo")
    page.get_by_role("heading", name="Before and after 200 logged units").wait_for()
    page.pdf(path=tmp_path / "review.pdf", prefer_css_page_size=True)
    pages = pypdf.PdfReader(tmp_path / "review.pdf").pages
    words = " ".join(one.extract_text() for one in pages)
    assert len(pages) > 1 and pages[0].mediabox.width > pages[0].mediabox.height
    assert "Before and after 200 logged units" in words and "Block by block" in words
    assert "Show with the invented demo log" not in words
    page.emulate_media(media="print")
    ink = page.locator(".ba-card h3").first.evaluate("e => getComputedStyle(e).color")
    assert ink == "rgb(0, 0, 0)"
