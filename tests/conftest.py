"""What holds for every test: in CI nothing is skipped, and Hypothesis looks for new cases there, too."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Generator

import pytest
from hypothesis import settings
from hypothesis.database import DirectoryBasedExampleDatabase

# Left alone, Hypothesis would try the same cases each time in CI, and keep none.
settings.register_profile(
    "new cases", derandomize=False, print_blob=True, deadline=None,
    database=DirectoryBasedExampleDatabase(".hypothesis/examples"),
)  # fmt: skip
settings.load_profile("new cases")


def _none_skipped_in_ci(report: pytest.TestReport | pytest.CollectReport) -> None:
    """A missing program, package, reference or right skips on a developer's machine; in CI it is a failure."""
    if os.environ.get("CI") and report.skipped and not hasattr(report, "wasxfail"):
        why = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome, report.longrepr = "failed", f"nothing is skipped in CI: {why}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    _none_skipped_in_ci(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    _none_skipped_in_ci(report)
    return report


LONG = ("tests/ui/", "tests/timing/", "tests/test_readme_figures.py")
"""Files that take longest. They come first, so that at the end no worker is left alone with one."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """With ADVISOR_FIRST_OF, of each test's cases only so many: enough to tell whether another version still serves."""
    items.sort(key=lambda item: not item.nodeid.startswith(LONG))
    most = int(os.environ.get("ADVISOR_FIRST_OF", "0"))
    counted = Counter[str]()
    kept, left = [], []
    for item in items:
        counted[name := item.nodeid.partition("[")[0]] += 1
        (left if most and counted[name] > most else kept).append(item)
    config.hook.pytest_deselected(items=left)
    items[:] = kept
