"""The real page in Debian's Chromium: servers, browser and pages for the tests beside this file."""

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
]
PATIENCE_MS = 90_000


@pytest.fixture(scope="session")
def browser():
    """Chromium without a screen; missing, the tests skip on a developer's machine and fail in CI."""
    if not CHROMIUM.exists():
        (pytest.fail if os.environ.get("CI") else pytest.skip)("Debian's chromium is not installed")
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


def serve(which: str, app: bool, home: Path):
    from advisor.views import server

    planned = server.plan(which, app=app, folder=home / f"{which}-{'app' if app else 'lab'}")
    process = server.start(planned)
    return planned, process


@pytest.fixture(scope="session")
def triage_app(browser, home):
    from advisor.views import server

    planned, process = serve("triage", True, home)
    yield planned
    server.stop(process)


@pytest.fixture(scope="session")
def triage_lab(browser, home):
    from advisor.views import server

    planned, process = serve("triage", False, home)
    yield planned
    server.stop(process)


@pytest.fixture(scope="session")
def batch_app(browser, home):
    from advisor.views import server

    planned, process = serve("batch", True, home)
    yield planned
    server.stop(process)


@pytest.fixture(scope="session")
def review_app(browser, home):
    from advisor.views import server

    planned, process = serve("review", True, home)
    yield planned
    server.stop(process)


@pytest.fixture
def visit(browser):
    """Open a page that is watched for errors and for fetches from anywhere but this machine."""
    contexts = []

    def go(planned, ready: str, **options):
        context = browser.new_context(accept_downloads=True, **({"viewport": {"width": 1366, "height": 768}} | options))
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.strangers = []
        page.failures = []
        page.on("request", lambda request: page.strangers.append(request.url) if _strange(request.url) else None)
        page.on("pageerror", lambda error: page.failures.append(str(error)))
        page.goto(planned.url)
        page.wait_for_selector(ready)
        return page

    yield go
    for context in contexts:
        context.close()


def _strange(url: str) -> bool:
    return url.startswith(("http:", "https:", "ws:", "wss:")) and "//127.0.0.1:" not in url


def focused(page) -> str:
    """Id of the element that has the keyboard."""
    return page.evaluate("document.activeElement.id")


def wait_focus(page, key: str) -> None:
    page.wait_for_function(f"document.activeElement.id === {key!r}")
