"""Make the README's pictures: python notebooks/pictures/make.py (needs Debian's chromium and playwright).

What they show is the demo's intake, which is invented.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from advisor.views import server

HERE = Path(__file__).resolve().parent
CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-dev-shm-usage",
]
LARGEST = 250_000
"""Largest picture [bytes]."""


def triage(page: Page) -> None:
    """Load the invented workshop and bring one unit into view."""
    page.locator(".ba-do-demo").click()
    page.locator(".ba-unit", has_text="OM-1001").wait_for()
    page.locator(".ba-find input").fill("OM-1003")
    page.keyboard.press("Enter")
    page.locator(".ba-unit", has_text="OM-1003").wait_for()


def batch(page: Page) -> None:
    """Score the invented workshop."""
    page.get_by_role("tab", name="Batch").click()
    page.locator(".ba-batch-demo").click()
    page.get_by_text("60 rows of intake.csv scored").wait_for()
    page.locator(".ba-table tbody tr").first.wait_for()


def day(page: Page) -> None:
    """Plan a day for that sheet, and look at its middle."""
    page.get_by_role("tab", name="Day").click()
    page.locator(".ba-day-day input").fill("2026-11-30")
    page.locator(".ba-day-do").click()
    page.locator(".ba-message", has_text="planned").wait_for()
    page.locator(".ba-day-at input").fill("10:45")
    page.locator(".ba-day-at input").press("Enter")
    page.locator(".ba-day-board caption", has_text="10:45").wait_for()


def main() -> None:
    """Start the bench, bring it to where each picture is taken, and write the pictures."""
    with tempfile.TemporaryDirectory() as home, sync_playwright() as engine:
        os.environ["ADVISOR_HOME"] = home
        browser = engine.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        planned = server.plan(app=True)
        process = server.start(planned)
        try:
            page = browser.new_page(viewport={"width": 1366, "height": 800})
            page.set_default_timeout(120_000)
            page.goto(planned.url)
            page.wait_for_selector(".ba-do-demo")
            for name, prepare in (("triage", triage), ("batch", batch), ("day", day)):
                prepare(page)
                page.wait_for_timeout(1500)
                page.evaluate("document.activeElement.blur()")
                picture = page.screenshot(path=HERE / f"{name}.png")
                if len(picture) > LARGEST:
                    sys.exit(f"{name}.png has {len(picture)} bytes, more than {LARGEST}.")
                print(f"{name}.png: {len(picture)} bytes")
        finally:
            server.stop(process)
        browser.close()


if __name__ == "__main__":
    main()
