"""The bench as a technician meets it: keyboard alone, two browsers on one queue, light and dark, print."""

from __future__ import annotations

import json

import pytest

from .conftest import hand_in, row, sheet, wait_focus

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def page(visit, app):
    return visit(app)


def headline(page) -> str:
    return page.locator(".ba-triage .headline").inner_text()


def test_first_screen_offers_three_ways_in_and_the_invented_workshop(page):
    for name in ("This PC", "Open files", "Type it in", "Try the invented workshop"):
        assert page.get_by_role("button", name=name).is_visible(), name
    assert "Larkmoor" in page.locator(".ba-shop input").get_attribute("placeholder")
    assert "What is on the bench?" in headline(page)


def test_the_right_sheet_is_printed_with_three_actions_and_no_mouse(page):
    hand_in(page, "K-1", "K-2", "K-3")
    page.keyboard.press("F2")
    wait_focus(page, ".ba-find input")
    page.keyboard.type("k-2")
    page.keyboard.press("Enter")
    page.locator(".ba-unit", has_text="K-2").wait_for()
    wait_focus(page, ".ba-do-print")
    page.keyboard.press("Control+p")
    page.wait_for_function("window.printed?.length === 1")
    printed = page.evaluate("window.printed[0]")
    assert "K-2" in printed
    assert "K-1" not in printed
    page.locator(".ba-message", has_text="goes to the printer").wait_for()


def test_a_correction_keeps_the_focus_and_the_next_box_what_is_typed(page):
    page.locator(".ba-fact-ram_gib input").click()
    before = headline(page)
    page.keyboard.press("Control+a")
    page.keyboard.type("2")
    page.keyboard.press("Tab")
    wait_focus(page, ".ba-fact-ram_slots_free input")
    page.keyboard.type("1")
    page.locator(".ba-message", has_text="Memory is 2 GiB").wait_for()
    assert headline(page) != before
    wait_focus(page, ".ba-fact-ram_slots_free input")
    assert page.locator(".ba-fact-ram_slots_free input").input_value() == "1"
    page.keyboard.press("Tab")
    page.locator(".ba-message", has_text="Free memory slots is 1").wait_for()


def test_an_error_stands_at_its_field_and_in_the_bar_that_stays_in_view(page):
    page.locator(".ba-fact-ram_gib input").fill("plenty")
    page.locator(".ba-fact-ram_gib input").press("Enter")
    page.locator(".ba-facts .wrong", has_text="accepted").wait_for()
    page.mouse.wheel(0, 2000)
    alert = page.get_by_role("alert")
    assert "Memory" in alert.inner_text()
    box = alert.bounding_box()
    assert 0 <= box["y"] < 200
    page.mouse.wheel(0, -4000)
    page.locator(".ba-fact-ram_gib input").fill("8")
    page.locator(".ba-fact-ram_gib input").press("Enter")
    page.locator(".ba-facts .wrong").wait_for(state="detached")


def test_what_is_taken_off_can_be_put_back(page):
    page.keyboard.press("F2")
    page.keyboard.type("K-3")
    page.keyboard.press("Enter")
    page.locator(".ba-unit", has_text="K-3").wait_for()
    page.get_by_role("button", name="Take off the queue").click()
    page.locator(".ba-message", has_text="K-3 was taken off").wait_for()
    assert "K-3" not in page.locator(".ba-queue select").inner_text()
    page.get_by_role("button", name="Undo").click()
    page.locator(".ba-message", has_text="K-3 is back").wait_for()
    page.locator(".ba-queue option", has_text="K-3").wait_for(state="attached")


def test_two_browsers_share_one_queue_and_a_tag_taken_twice_asks(page, visit, app):
    other = visit(app)
    assert "K-2" in other.locator(".ba-queue select").inner_text()
    hand_in(other, "T-1")
    page.locator(".ba-queue option", has_text="T-1").wait_for(state="attached")
    hand_page = page.locator(".ba-fact-maker input")
    page.keyboard.press("F2")
    page.keyboard.type("T-1")
    page.keyboard.press("Enter")
    page.locator(".ba-unit", has_text="T-1").wait_for()
    hand_page.fill("Dell")
    hand_page.press("Enter")
    other.wait_for_function("document.querySelector('.ba-fact-maker input').value === 'Dell'")
    other.locator(".ba-fact-model input").fill("E6430")
    other.locator(".ba-fact-model input").press("Enter")
    page.wait_for_function("document.querySelector('.ba-fact-model input').value === 'E6430'")
    assert hand_page.input_value() == "Dell"
    with page.expect_file_chooser() as chooser:
        page.locator(".ba-ways .ba-upload").click()
    chooser.value.set_files(sheet(row("T-1", "16")))
    page.get_by_text("stands in the queue already").wait_for()
    page.get_by_role("button", name="Take its new facts").click()
    other.wait_for_function("document.querySelector('.ba-fact-ram_gib input').value === '16 GiB'")
    assert not other.failures
    other.context.close()


def test_clock_log_and_why_by_keyboard(page):
    page.keyboard.press("F2")
    page.keyboard.type("K-1")
    page.keyboard.press("Enter")
    page.locator(".ba-unit", has_text="K-1").wait_for()
    page.keyboard.press("F8")
    page.locator(".ba-running", has_text="K-1 Prepare").wait_for()
    page.wait_for_function("/0:0[1-9]/.test(document.querySelector('.ba-running [data-since]').textContent)")
    page.keyboard.press("F9")
    wait_focus(page, ".ba-log-elapsed_min input")
    page.keyboard.type("1:15")
    page.locator(".ba-log-technician input").fill("Ada")
    page.locator(".ba-log-technician input").press("Tab")
    page.locator(".ba-log-do").press("Enter")
    page.locator("table", has_text="K-1 is logged").wait_for()
    assert "75 min" in page.locator("table", has_text="K-1 is logged").inner_text()
    wait_focus(page, ".ba-why button")
    page.keyboard.press("Enter")
    page.locator(".ba-message", has_text="slow download, kept in the log").wait_for()
    page.keyboard.press("F7")
    page.locator(".ba-message", has_text="Next:").wait_for()
    wait_focus(page, ".ba-do-print")


def test_pasted_rows_and_a_dropped_file_join_the_queue(page):
    page.locator(".ba-middle .headline").click()
    page.evaluate(
        """text => { const data = new DataTransfer(); data.setData('text', text);
        document.body.dispatchEvent(new ClipboardEvent('paste', {clipboardData: data, bubbles: true})); }""",
        "tag,cpu,ram\nV-1,i5-6300U,8\n",
    )  # fmt: skip
    page.locator(".ba-unit", has_text="V-1").wait_for()
    content = sheet(row("D-1"))["buffer"].decode()
    page.evaluate(
        """text => { const data = new DataTransfer(); data.items.add(new File([text], 'dropped.csv'));
        const drop = new DragEvent('drop', {dataTransfer: data, bubbles: true});
        document.querySelector('.ba-triage').dispatchEvent(drop); }""",
        content,
    )
    page.locator(".ba-unit", has_text="D-1").wait_for()


def test_markup_in_a_fact_stays_text(page):
    page.wait_for_function("document.querySelector('.ba-fact-model input').value === 'ThinkPad T460'")
    page.locator(".ba-fact-model input").fill("<img src=x onerror='top.hurt=1'>")
    page.locator(".ba-fact-model input").press("Enter")
    page.locator(".ba-head", has_text="<img src=x").wait_for()
    assert page.evaluate("top.hurt") is None
    assert page.locator(".ba-app img").count() == 0


def test_nothing_failed_and_nothing_came_from_elsewhere(page):
    assert page.failures == []
    assert page.strangers == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(1366, 768), (1920, 1080)])
def test_advice_minutes_and_actions_are_in_sight(page, scheme, width, height):
    page.emulate_media(color_scheme=scheme)
    page.set_viewport_size({"width": width, "height": height})
    page.evaluate("scrollTo(0, 0)")
    for spot in (".ba-head .headline", ".ba-head .figures", ".ba-do-print", ".ba-do-log", ".ba-fact-cpu input"):
        box = page.locator(spot).first.bounding_box()
        assert box and box["y"] >= 0 and box["y"] + box["height"] <= height, spot
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    sizes = page.evaluate(
        "[...document.querySelectorAll('.ba-triage *')].map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert page.locator(".ba-head .headline").evaluate("e => parseFloat(getComputedStyle(e).fontSize)") == max(sizes)
    background = page.evaluate("getComputedStyle(document.querySelector('.ba-triage').parentElement).backgroundColor")
    assert (sum(json.loads(background.replace("rgb(", "[").replace(")", "]"))) < 300) == (scheme == "dark")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("tab", ["Triage", "Log"])
def test_axe_finds_nothing_serious(page, scheme, tab):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page.emulate_media(color_scheme=scheme)
    page.get_by_role("tab", name=tab).click()
    page.wait_for_timeout(300)
    found = axe.Axe().run(page).response["violations"]
    serious = [
        (one["id"], [node["html"][:160] for node in one["nodes"]])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert not serious


def test_every_control_of_the_triage_tab_can_be_reached_by_keyboard(page):
    page.get_by_role("tab", name="Triage").click()
    page.locator(".ba-bar").click(position={"x": 2, "y": 2})
    wanted = page.evaluate(
        "[...document.querySelectorAll('.ba-triage :is(button, input:not([type=file]), select)')]"
        ".filter(e => e.checkVisibility()).map((e, n) => e.dataset.at = n).length"
    )
    reached = set()
    for _ in range(wanted + 40):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.dataset.at"))
    assert len(reached - {None}) == wanted


# Debian's Chromium has a camera (a made-up picture here) and no detector of codes: one of the standard's shape (Shape
# Detection API, BarcodeDetector: constructor, detect, rawValue), which knows a code in the second picture it is shown.
DETECTOR = """
window.shown = [];
window.BarcodeDetector = class {
  constructor(options) { this.formats = options.formats; }
  async detect(video) {
    window.shown.push([this.formats.join(), video.videoWidth, video.srcObject.getVideoTracks()[0].readyState]);
    window.camera = video.srcObject;
    return window.shown.length < 2 ? [] : [{ rawValue: "C-2", format: "qr_code" }];
  }
};
"""


def test_a_tag_is_scanned_from_the_camera_and_the_camera_is_off_again(visit, app):
    page = visit(app, script=DETECTOR)
    hand_in(page, "C-1", "C-2", "C-3")
    page.get_by_role("button", name="Scan a tag").click()
    page.locator(".ba-unit", has_text="C-2").wait_for()
    shown = page.evaluate("window.shown")
    assert len(shown) == 2
    assert all(formats == "qr_code" and width > 0 and state == "live" for formats, width, state in shown)
    page.wait_for_function("window.camera.getTracks().every((track) => track.readyState === 'ended')")
    assert page.locator("video").count() == 0
    assert page.failures == []


def test_where_the_browser_cannot_scan_no_button_says_so(page):
    assert page.get_by_role("button", name="Scan a tag").count() == 0
