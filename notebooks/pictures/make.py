"""Make the README's pictures: python notebooks/pictures/make.py (needs Debian's chromium and playwright).

What they show is the demo's intake, which is invented.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from advisor.files import datasets
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
    """Load the demo's intake and bring one unit into view."""
    page.wait_for_selector("#ba-capture")
    page.set_input_files("#ba-file", datasets() / "demo" / "intake.csv")
    page.get_by_role("button", name="Take all 60 rows").click()
    page.wait_for_selector("#ba-done")
    page.fill("#ba-find", "OM-1014")
    page.keyboard.press("Enter")
    page.locator("#ba-unit-title", has_text="OM-1014").wait_for()


def batch(page: Page) -> None:
    """Score the demo's intake."""
    page.wait_for_selector("#ba-open")
    page.set_input_files("#ba-file", datasets() / "demo" / "intake.csv")
    page.get_by_text("60 rows of intake.csv scored").wait_for()


def main() -> None:
    """Start each view, bring it to where the picture is taken, and write the picture."""
    with tempfile.TemporaryDirectory() as home, sync_playwright() as engine:
        os.environ["ADVISOR_HOME"] = home
        browser = engine.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for name, height, prepare in (("triage", 800, triage), ("batch", 768, batch)):
            planned = server.plan(name, app=True)
            process = server.start(planned)
            try:
                page = browser.new_page(viewport={"width": 1366, "height": height})
                page.set_default_timeout(120_000)
                page.goto(planned.url)
                prepare(page)
                page.wait_for_timeout(1500)
                page.evaluate(
                    "document.activeElement.blur(); document.querySelector('[data-region=notice]').replaceChildren()"
                )
                picture = page.screenshot(path=HERE / f"{name}.png")
                if len(picture) > LARGEST:
                    sys.exit(f"{name}.png has {len(picture)} bytes, more than {LARGEST}.")
                print(f"{name}.png: {len(picture)} bytes")
            finally:
                server.stop(process)
        browser.close()


if __name__ == "__main__":
    main()
