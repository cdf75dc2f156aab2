"""Minutes to open a box and to fit a part, added up by hand from the indices of BasicMOST.

How many screws, clips and plugs a kind of box has is common practice, no source; the centimetres of glue and the
counts of a machine that has to be taken apart are from memory, as the table says.
"""

from __future__ import annotations

import numpy as np
import pytest

from advisor.timing import operations

INDEX = 0.36
"""Seconds of one index: ten time-measurement units of 0.036 s (Zandin, MOST Work Measurement Systems, 2002)."""

SCREW, CAPTIVE, CLIP, TOOL, TURN = (INDEX * one for one in (18 + 20, 14 + 14, 5 + 5, 4 + 4, 5 + 5))
"""Out and in, loosened and tightened, freed and closed, taken up twice, turned over and back."""
PLUG, MODULE, PULL, PICK, PRESS = (INDEX * one for one in (6, 9, 6, 4, 3))
THINK, GLUE = 1.35, 12 + 12
"""A preparation in mind (Card, Moran and Newell 1980), and a centimetre warmed and laid anew (from memory)."""

BOXES = {
    "laptop": TOOL + TURN + 8 * SCREW + 10 * CLIP + PULL + MODULE + THINK,
    "": TOOL + TURN + 8 * SCREW + 10 * CLIP + PULL + MODULE + THINK,
    "a kind that nobody knows": TOOL + TURN + 8 * SCREW + 10 * CLIP + PULL + MODULE + THINK,
    "convertible": TOOL + TURN + 10 * SCREW + 12 * CLIP + PULL + MODULE + THINK,
    "tablet": 2 * TOOL + 60 * GLUE + 2 * PULL + 2 * MODULE + 4 * THINK,
    "all-in-one": TOOL + TURN + 6 * SCREW + 12 * CLIP + 2 * THINK,
    "desktop": TURN + 2 * CAPTIVE + PICK + PLUG,
    "small desktop": TURN + CAPTIVE + PICK + PLUG,
    "server": 2 * PRESS + PICK + PLUG,
    "thin client": TOOL + TURN + 3 * SCREW + 4 * CLIP,
    "glued": 2 * TOOL + 90 * GLUE + 3 * PULL + 3 * MODULE + 6 * THINK,
    "glued-screen": 2 * TOOL + 150 * GLUE + 4 * PULL + 4 * MODULE + 8 * THINK,
    "hard-to-open": 2 * TOOL + 2 * TURN + 24 * SCREW + 30 * CLIP + 10 * PULL + 10 * MODULE + 12 * THINK,
}


@pytest.mark.parametrize("box", BOXES)
def test_opening_and_closing(box: str) -> None:
    found = operations.opening_min(np.array([box], dtype=object))[0, 0]
    assert 60 * found == pytest.approx(1.11 * BOXES[box])


@pytest.mark.parametrize(
    ("kind", "fits", "seconds"),
    [
        ("memory", "DDR4 SODIMM", PICK + MODULE + THINK),
        ("ssd", "sata", TOOL + 4 * SCREW + 2 * PULL + PICK + 2 * MODULE + THINK),
        ("ssd", "nvme", TOOL + SCREW + PULL + PICK + MODULE + THINK),
        ("wireless", "usb", PICK + PLUG),
        ("wireless", "m.2", TOOL + SCREW + 3 * PULL + PICK + 3 * MODULE + THINK),
        ("wireless", "mini pcie", TOOL + 2 * SCREW + 3 * PULL + PICK + 3 * MODULE + THINK),
        ("ssd", "some bus", TOOL + 4 * SCREW + 2 * PULL + PICK + 2 * MODULE + THINK),
        ("wireless", "some slot", PICK + PLUG),
    ],
)  # fmt: skip
def test_fitting_a_part(kind: str, fits: str, seconds: float) -> None:
    assert 60 * operations.part_min(kind, fits)[0] == pytest.approx(1.11 * seconds)


def test_what_of_it_rests_on_memory() -> None:
    """The glue wherever it is cut, and whole rows whose counts are from memory."""
    whole, by_heart = operations.opening_min(np.array(["glued", "hard-to-open", "laptop", "desktop"], dtype=object)).T
    assert by_heart.tolist() == pytest.approx([whole[0], whole[1], 0, 0])
    assert operations.part_min("ssd", "sata")[1] == 0
