"""The real page in Debian's Chromium: one server, a browser and pages for the tests beside this file."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--use-fake-device-for-media-stream",
    "--use-fake-ui-for-media-stream",
]
PATIENCE_MS = 90_000

# Counts what would be printed, in every frame.
PRINTS = "window.print = () => { top.printed = [...(top.printed ?? []), document.documentElement.textContent]; };"


@pytest.fixture(scope="module")
def browser():
    """Chromium without a screen; missing, the tests skip on a developer's machine and fail in CI."""
    if not CHROMIUM.exists():
        pytest.skip("Debian's chromium is not installed")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as engine:
        chromium = engine.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def home(tmp_path_factory):
    """A user's data folder of its own, so that no real queue or log is touched."""
    folder = tmp_path_factory.mktemp("advisor-home")
    before = os.environ.get("ADVISOR_HOME")
    os.environ["ADVISOR_HOME"] = str(folder)
    yield folder
    if before is None:
        del os.environ["ADVISOR_HOME"]
    else:
        os.environ["ADVISOR_HOME"] = before


@pytest.fixture(scope="session")
def app(home):
    """The bench without code cells, with the demo's invented shop."""
    from advisor.files import datasets
    from advisor.views import server

    planned = server.plan(app=True, folder=home / "app", shop=datasets() / "demo" / "shop.toml")
    process = server.start(planned)
    yield planned
    server.stop(process)


@pytest.fixture(scope="module")
def visit(browser):
    """Open a page that is watched for errors and for fetches from anywhere but this machine."""
    contexts = []

    def go(planned, script="", **options):
        context = browser.new_context(accept_downloads=True, **({"viewport": {"width": 1366, "height": 768}} | options))
        contexts.append(context)
        context.add_init_script(PRINTS + script)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.strangers = []
        page.failures = []
        page.on("request", lambda request: page.strangers.append(request.url) if _strange(request.url) else None)
        page.on("pageerror", lambda error: page.failures.append(str(error)))
        page.goto(planned.url)
        page.wait_for_selector(".ba-app .ba-do-demo")
        return page

    yield go
    for context in contexts:
        context.close()


def _strange(url: str) -> bool:
    return url.startswith(("http:", "https:", "ws:", "wss:")) and "//127.0.0.1:" not in url


def sheet(*rows: str) -> dict[str, object]:
    """An intake sheet as a file to hand in."""
    content = "\n".join(("asset_tag,maker,model,form_factor,cpu,ram_gib,storage_kind,storage_gib,boot_mode", *rows))
    return {"name": "intake.csv", "mimeType": "text/csv", "buffer": content.encode()}


def row(tag: str, ram: str = "8") -> str:
    """A row of that sheet."""
    return f"{tag},Lenovo,ThinkPad T460,laptop,i5-6300U,{ram},sata ssd,223.5,uefi 64-bit"


def hand_in(page, *tags: str) -> None:
    """Hand a sheet in by the button, and wait for its first unit."""
    with page.expect_file_chooser() as chooser:
        page.locator(".ba-ways .ba-upload").click()
    chooser.value.set_files(sheet(*map(row, tags)))
    page.locator(".ba-unit", has_text=tags[0]).wait_for()


def wait_focus(page, query: str) -> None:
    """Wait until an element has the keyboard."""
    page.wait_for_function(f"document.activeElement.matches({query!r})")
