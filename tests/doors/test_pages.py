"""Debian's Chromium at the door: let in by the page on disk, and its kernels end with its pages."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from advisor.views import server

pytestmark = pytest.mark.slow

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-dev-shm-usage",
]
RELOADS = int(os.environ.get("ADVISOR_RELOADS", "3"))
"""Three are enough to tell one kernel from one a load; ADVISOR_RELOADS=100 takes some minutes."""


@pytest.fixture(scope="module")
def browser():
    if not CHROMIUM.exists():
        pytest.skip("Debian's chromium is not installed")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as engine:
        chromium = engine.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def page(browser):
    context = browser.new_context()
    page = context.new_page()
    page.set_default_timeout(120_000)
    yield page
    context.close()


@pytest.fixture
def arrive(page, monkeypatch):
    """Come in as `advisor notebook` sends the browser: by the page on disk."""

    def go(door):
        monkeypatch.setattr(server.webbrowser, "open", lambda address: bool(page.goto(address)))
        assert server.show(door.planned)
        page.wait_for_selector(".ba-app .ba-do-demo")

    return go


def test_the_page_on_disk_lets_in_and_a_reload_needs_no_token(door, page, arrive):
    arrive(door)
    page.goto(door.planned.url.partition("?")[0])
    page.wait_for_selector(".ba-app .ba-do-demo")
    page.reload()
    page.wait_for_selector(".ba-app .ba-do-demo")


def test_another_page_gets_nothing_even_from_a_browser_that_was_let_in(door, page, arrive, tmp_path):
    arrive(door)
    place = f"http://{server.HOST}:{door.planned.port}"
    stranger = tmp_path / "stranger.html"
    stranger.write_text(f'<img src="{place}/"><iframe src="{place}/lab"></iframe><script src="{place}/"></script>')
    page.goto("about:blank")
    kernels = len(door.kernels())
    answers = []
    page.on("response", lambda answer: answers.append(answer) if answer.url.startswith(place) else None)
    page.goto(stranger.as_uri())
    page.wait_for_load_state("networkidle")
    assert answers and not [one.url for one in answers if one.status == 200 and "/login" not in one.url]
    assert len(door.kernels()) <= kernels


def test_however_often_a_page_is_loaded_one_kernel_is_left_and_none_when_it_is_closed(open_door, page, arrive, until):
    door = open_door("app")
    arrive(door)
    for _ in range(RELOADS):
        page.reload()
        page.wait_for_selector(".ba-app .ba-do-demo")
    until(lambda: len(door.kernels()) == 1, "one kernel is left")
    page.close(run_before_unload=True)
    until(lambda: not door.kernels(), "no kernel is left")


def test_a_notebook_keeps_its_one_kernel(open_door, page, arrive):
    door = open_door("lab")
    arrive(door)
    (kernel,) = door.kernels()
    page.reload()
    page.wait_for_selector(".ba-app .ba-do-demo")
    assert door.kernels() == [kernel]


def test_a_kernel_whose_page_could_not_say_that_it_closed_ends_all_the_same(open_door, until):
    """The page is fetched and left alone, as by a browser that was killed; here the server looks more often."""
    door = open_door(
        "app", *(f"--MappingKernelManager.{name}={s}" for name, s in (("cull_idle_timeout", 8), ("cull_interval", 2)))
    )
    door.kernel()
    assert len(door.kernels()) == 1
    until(lambda: not door.kernels(), "the kernel has ended", 600)


def test_a_page_has_about_two_minutes_to_come_back():
    settings = (Path(server.__file__).parent / "app" / "config" / "voila.py").read_text()
    idle, interval = (int(re.search(rf"cull_{name} = (\d+)", settings)[1]) for name in ("idle_timeout", "interval"))
    assert idle >= 60 and idle + interval <= 150
