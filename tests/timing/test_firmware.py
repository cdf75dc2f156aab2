"""Seconds in the firmware: lines that people published, and the wait that is made of them."""

import numpy as np
import pytest

from advisor import tables
from advisor.timing.rates import assumed

MENU_S = 5
"""Debian's GRUB shows its menu so long (tests/outside/test_timing_screens.py)."""


@pytest.fixture(scope="module")
def lines():
    frame = tables.load("timing/firmware").frame
    figures = ["firmware_s", "loader_s", "kernel_s"]
    return frame.assign(**frame[figures].astype("Float64"))


def test_the_wait_is_the_firmware_of_the_middle_machine_and_the_menu(lines):
    """By numpy's percentiles of 68 machines, to a tenth of a second, the middle to a second."""
    low, middle, high = np.percentile(lines["firmware_s"], [10, 50, 90]) + MENU_S
    found = assumed()["restart_wait"]
    assert len(lines) == 68
    assert (found.low, found.value, found.high) == (round(low, 1), round(middle), round(high, 1))
    assert found.basis == "published"


def test_no_line_counts_from_when_the_machine_was_last_switched_on(lines):
    """github.com/systemd/systemd issue 8422: such a count grows from start to start; two minutes are left out."""
    assert lines["firmware_s"].between(0.5, 120).all()


@pytest.mark.parametrize(
    ("thread", "firmware", "loader", "kernel"),
    [
        # Typed anew from the threads.
        ("systemd issue 24575", 3.219, 2.800, 1.241),
        ("systemd issue 20757", 3.105, 3.201, 0.754),
        ("Asus-ROG-Aml-Deep-Dive issue 3", 5.721, 7.782, 44.140),
        ("opensource.com", 53.921, 2.643, 2.236),
    ],
)
def test_lines_as_their_threads_have_them(thread, firmware, loader, kernel, lines):
    own = lines[lines["source"].str.contains(thread, regex=False)].iloc[0]
    assert (own["firmware_s"], own["loader_s"], own["kernel_s"]) == (firmware, loader, kernel)


def test_one_line_a_machine(lines):
    assert not lines.duplicated(["firmware_s", "loader_s"]).any()


def test_whoever_stands_by_at_a_start_waits_no_longer_than_the_firmware():
    """Steps that end with a start wait as long as the firmware and the menu of the middle machine."""
    starts = [row for row in tables.dicts("timing/operations") if " wait" in row["operators"]]
    waits = [
        row["operators"].rpartition("+ ")[2] for row in starts if row["phase"] in ("boot", "first_boot", "restart")
    ]
    assert waits == [f"{assumed()['restart_wait'].value:g} wait"] * 3
