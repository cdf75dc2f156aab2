"""The paced disk's mechanics against what makers print of their drives, figure by figure."""

from __future__ import annotations

import random

import pytest

from advisor.lab.disk import models
from tests.lab.mechanics import READ, Mechanics

pytestmark = pytest.mark.outside

MIB = 1 << 20
DESKSTAR = models.known()["7200 3.5in 500GB"]


def test_the_deskstar_7k500_reads_at_random_as_its_manual_says(need):
    # Deskstar 7K500 hard disk drive specification, section 4.4.5.2, table 12: 1000h reads of one random sector take
    # 55.5 s; typical values are given as 105 % of T. The manual's T leaves nothing out that the mechanics have.
    need("gcc")
    made, chance = Mechanics(DESKSTAR), random.Random(12)
    for _ in range(0x1000):
        made.do(READ, chance.randrange(DESKSTAR.capacity // 512) * 512, 512)
    assert made.now == pytest.approx(55.5 / 1.05, rel=0.05)


@pytest.mark.parametrize(("zone", "start", "seconds"), [(0, 0, 0.29), (29, DESKSTAR.capacity - 64 * MIB, 0.59)])
def test_the_deskstar_7k500_streams_as_its_manual_says(need, zone, start, seconds):
    # The same, section 4.4.5.1, table 11: 8000h sectors by 128 reads, first seek and latency included. Printed to two
    # digits: half a unit of the last is 0.9 to 1.7 %.
    need("gcc")
    made = Mechanics(DESKSTAR)
    made.do(READ, DESKSTAR.capacity // 2, 512)
    began = made.now
    for at in range(128):
        made.do(READ, start + at * 131072, 131072)
    assert made.now - began == pytest.approx(seconds / 1.05, rel=0.05)


@pytest.mark.parametrize(
    ("name", "milliseconds"),
    [
        # Section 4.4.2 of the 5K320 (revision 1.5) and 7K320 SATA OEM specifications: average seek 12 ms,
        # average latency 5.5 and 4.2 ms, command overhead not counted in them.
        ("5400 2.5in", 12 + 5.5),
        ("7200 2.5in", 12 + 4.2),
    ],
)
def test_two_notebook_drives_read_at_random_as_their_manuals_say(need, name, milliseconds):
    need("gcc")
    model = models.known()[name]
    made, chance = Mechanics(model), random.Random(5)
    for _ in range(3000):
        made.do(READ, chance.randrange(model.capacity // 4096) * 4096, 4096)
    assert 1e3 * made.now / 3000 == pytest.approx(milliseconds + model.figures["overhead_ms"], rel=0.05)


@pytest.mark.parametrize("name", ["5400 2.5in", "7200 2.5in"])
def test_the_full_stroke_is_the_manuals(need, name):
    # The same manuals, section 4.4.2.2: 20.0 ms, the mean of 1000 seeks over the full stroke.
    need("gcc")
    model = models.known()[name]
    made = Mechanics(model)
    turns = []
    for at in range(1000):
        turns.append(made.do(READ, (model.capacity - (at + 1) * MIB) if at % 2 else at * MIB, 4096))
        made.now += 0.00137 * (at % 7)
    mean = 1e3 * sum(turns[1:]) / 999
    assert mean == pytest.approx(20.0 + 30_000 / model.figures["rpm"] + model.figures["overhead_ms"], rel=0.05)
