"""Triage in a real browser: the app and the notebook, by keyboard, with good and bad files, in both themes."""

from __future__ import annotations

import json
import re

import pytest

from advisor.unit import Unit

CSV = (
    "asset_tag,maker,model,form factor,cpu,ram,storage,wireless\n"
    "U-1,Acme,<b>Bold</b>,laptop,i5-6300U,8GB,240 SSD,Intel Wireless 8260\n"
    "U-2,Acme,Old 1,desktop,Core 2 Duo E8400,2GB,160GB HDD,none\n"
)


@pytest.fixture
def capture_file(tmp_path):
    unit = Unit(
        asset_tag="U-cap",
        maker="Acme",
        model="Book",
        form_factor="laptop",
        cpu="Intel Core i5-4300U",
        ram_gib=4,
        storage_kind="spinning disk",
        storage_gib=465,
    )
    path = tmp_path / "capture.json"
    path.write_text(
        json.dumps({"format": 1, "unit": unit.model_dump(mode="json"), "unread": {"ram_slots": "needs root"}})
    )
    return path


def focus_on(page, key):
    page.wait_for_function(f"document.activeElement.id === {key!r}")


def three_actions(page, tag):
    """Capture, tag, sheet: nothing but keys."""
    focus_on(page, "ba-capture")
    page.keyboard.press("Enter")
    focus_on(page, "ba-fact-asset_tag")
    page.keyboard.type(tag)
    page.keyboard.press("Enter")
    focus_on(page, "ba-make")
    with page.expect_download() as download:
        page.keyboard.press("Enter")
    return download.value


def test_the_app_goes_from_capture_to_sheet_in_three_actions_by_keyboard(visit, triage_app, tmp_path):
    page = visit(triage_app, "#ba-capture")
    sheet = three_actions(page, "KEYS-1")
    assert sheet.suggested_filename == "KEYS-1-sheet.pdf"
    sheet.save_as(tmp_path / "sheet.pdf")
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF-")
    page.frame_locator("#ba-sheet-frame").get_by_text("KEYS-1").first.wait_for()
    assert page.locator("[aria-current=true]").inner_text().startswith("KEYS-1")
    assert not page.failures and not page.strangers


def test_the_notebook_opens_straight_into_triage_and_takes_the_same_three_actions(visit, triage_lab):
    page = visit(triage_lab, "#ba-capture")
    assert three_actions(page, "KEYS-2").suggested_filename == "KEYS-2-sheet.pdf"
    assert page.locator(".jp-Cell").count() == 1, "a key meant for the view reached JupyterLab"
    assert not page.strangers


def test_a_capture_by_upload_a_correction_and_the_log(visit, triage_app, capture_file, home):
    page = visit(triage_app, "#ba-capture")
    page.set_input_files("#ba-file", capture_file)
    page.locator("#ba-unit-title", has_text="U-cap").wait_for()
    before = page.locator(".ba-verdict").inner_text()
    page.fill("#ba-fact-ram_gib", "sixteen-ish")
    page.keyboard.press("Tab")
    page.get_by_role("alert").wait_for()
    assert page.locator("#ba-fact-ram_gib").get_attribute("aria-invalid") == "true"
    page.fill("#ba-fact-ram_gib", "16 GB")
    page.keyboard.press("Tab")
    page.select_option("#ba-fact-storage_kind", "nvme")
    page.wait_for_function("document.querySelector('#ba-fact-ram_gib').getAttribute('value') === '16'")
    page.wait_for_function("([was]) => document.querySelector('.ba-verdict').innerText !== was", arg=[before])
    page.click("#ba-done")
    focus_on(page, "ba-log-elapsed_min")
    page.keyboard.type("1:05")
    page.keyboard.press("Enter")
    page.get_by_text("1 h 05 min logged in the bench log").wait_for()
    from advisor.benchlog import BenchLog, frame

    with BenchLog(home / "bench_log.sqlite") as log:
        rows = frame(log)
    assert list(rows.loc[rows["asset_tag"] == "U-cap", "elapsed_min"]) == [65]


def test_rows_of_a_sheet_and_the_scanned_code(visit, triage_app, tmp_path):
    page = visit(triage_app, "#ba-capture")
    (tmp_path / "intake.csv").write_text(CSV)
    page.set_input_files("#ba-file", tmp_path / "intake.csv")
    page.get_by_role("button", name="Take row 2, U-2").click()
    page.locator("#ba-unit-title", has_text="U-2").wait_for()
    page.get_by_role("button", name="Take all 2 rows").click()
    page.locator("#ba-unit-title", has_text="U-1").wait_for()
    assert "<b>Bold</b>" in page.locator("#ba-unit-title").inner_text()
    page.fill("#ba-find", "u-2")
    page.keyboard.press("Enter")
    page.locator("#ba-unit-title", has_text="U-2").wait_for()


def test_a_watched_folder_feeds_the_queue(visit, triage_app, capture_file, tmp_path):
    page = visit(triage_app, "#ba-capture")
    stick = tmp_path / "stick"
    stick.mkdir()
    page.locator("#ba-watch > summary").click()
    page.fill("#ba-folder", str(stick))
    page.keyboard.press("Enter")
    page.get_by_text("Watching " + str(stick)).wait_for()
    (stick / "one.json").write_text(capture_file.read_text().replace("U-cap", "U-stick"))
    page.locator("#ba-unit-title", has_text="U-stick").wait_for()


def test_stopwatches_of_two_units_run_by_keyboard_and_survive_a_new_page(visit, triage_app, capture_file, home):
    page = visit(triage_app, "#ba-capture")
    for tag in ("W-1", "W-2"):
        capture_file.write_text(capture_file.read_text().replace("U-cap", tag).replace("W-1", tag))
        page.set_input_files("#ba-file", capture_file)
        page.locator("#ba-unit-title", has_text=tag).wait_for()
        page.focus("#ba-go-on")
        page.keyboard.press("Enter")
        page.locator("#ba-stop-current").wait_for()
    page.get_by_role("button", name="Stop Prepare, and decide on the wipe of W-1").wait_for()
    page.wait_for_function("/min (?!00)[0-9][0-9] s/.test(document.querySelector('.ba-running .ba-clock').textContent)")
    page.context.close()
    page = visit(triage_app, "#ba-capture")
    page.fill("#ba-find", "W-2")
    page.keyboard.press("Enter")
    page.locator("#ba-stop-current").wait_for()
    focus_on(page, "ba-make")
    page.focus("#ba-go-on")
    page.keyboard.press("Enter")
    page.get_by_text("Boot the medium: the stopwatch of W-2 runs").wait_for()
    focus_on(page, "ba-go-on")
    page.click("#ba-done")
    focus_on(page, "ba-log-elapsed_min")
    assert float(page.locator("#ba-log-phase_prepare").input_value() or 0) >= 0
    assert page.locator("#ba-stop-current").count() == 0
    page.fill("#ba-log-note", "typed and kept")
    page.click("#ba-stop-running-0")
    page.get_by_text("min on the stopwatch of W-1").wait_for()
    assert page.locator("#ba-log-note").input_value() == "typed and kept"
    assert not page.failures


def test_a_unit_typed_in(visit, triage_app):
    page = visit(triage_app, "#ba-capture")
    page.click("#ba-type")
    focus_on(page, "ba-fact-asset_tag")
    page.keyboard.type("U-typed")
    page.keyboard.press("Tab")
    for key, value in (("cpu", "i5-6300U"), ("ram_gib", "8")):
        page.fill(f"#ba-fact-{key}", value)
        page.keyboard.press("Tab")
    page.select_option("#ba-fact-storage_kind", "sata ssd")
    page.fill("#ba-fact-storage_gib", "240")
    page.keyboard.press("Tab")
    page.locator(".ba-badge-large", has_text=re.compile("image|first")).wait_for()
    assert page.locator("#ba-fact-cpu").input_value() == "i5-6300U"


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("broken.json", b'{"format": 1, "unit": {', "broken.json"),
        ("fruit.csv", b"fruit,colour\nplum,blue\n", "processor"),
        ("none.csv", b"", "none.csv is empty"),
    ],
)
def test_a_bad_file_says_what_is_wrong_and_changes_nothing(visit, triage_app, tmp_path, name, content, words):
    page = visit(triage_app, "#ba-capture")
    before = page.locator(".ba-queue li").count()
    (tmp_path / name).write_bytes(content)
    page.set_input_files("#ba-file", tmp_path / name)
    page.get_by_role("alert").filter(has_text=words).wait_for()
    assert page.locator(".ba-queue li").count() == before
    assert not page.failures


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_on_the_app(visit, triage_app, capture_file, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page = visit(triage_app, "#ba-capture", color_scheme=scheme)
    assert page.locator(".ba-root").get_attribute("data-theme") == scheme
    page.set_input_files("#ba-file", capture_file)
    page.locator("#ba-unit-title", has_text="U-cap").wait_for()
    page.locator("#ba-more-facts > summary").click()
    page.locator("#ba-phase-table > summary").click()
    page.click("#ba-done")
    focus_on(page, "ba-log-elapsed_min")
    page.locator("#ba-all-phases > summary").click()
    page.click("#ba-go-on")
    page.locator("#ba-stop-current").wait_for()
    found = axe.Axe().run(page).response["violations"]
    serious = [
        (one["id"], [node["html"][:160] for node in one["nodes"]])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert not serious


def test_every_control_has_a_name_and_can_be_reached_by_keyboard(visit, triage_app, capture_file):
    page = visit(triage_app, "#ba-capture")
    page.set_input_files("#ba-file", capture_file)
    page.locator("#ba-unit-title", has_text="U-cap").wait_for()
    page.locator("#ba-more-facts > summary").click()
    page.locator("#ba-all-phases > summary").click()
    wanted = set(
        page.evaluate(
            "[...document.querySelectorAll('button, input:not([type=file]), select, textarea')]"
            ".filter(e => e.checkVisibility() && e.id && e.closest('.ba-root')).map(e => e.id)"
        )
    )
    page.evaluate(
        "document.querySelector('.ba-root').setAttribute('tabindex', '-1'); document.querySelector('.ba-root').focus()"
    )
    reached = set()
    for _ in range(len(wanted) + 60):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id"))
    assert wanted <= reached


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (1920, 1080)])
def test_verdict_minutes_and_actions_are_in_sight_without_scrolling(visit, triage_app, capture_file, width, height):
    page = visit(triage_app, "#ba-capture", viewport={"width": width, "height": height})
    page.set_input_files("#ba-file", capture_file)
    page.locator("#ba-unit-title", has_text="U-cap").wait_for()
    for spot in (".ba-badge-large", ".ba-headline", ".ba-figures", "#ba-fact-cpu", "[aria-current=true]"):
        box = page.locator(spot).first.bounding_box()
        assert box and box["y"] >= 0 and box["y"] + box["height"] <= height, spot
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert float(page.locator(".ba-badge-large").evaluate("e => parseFloat(getComputedStyle(e).fontSize)")) >= 24
