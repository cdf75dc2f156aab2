"""Cold starts of programs as the literature measured them, against the comfort model."""

from __future__ import annotations

import numpy as np
import pandas as pd

from advisor import tables
from advisor.comfort.model import Load, UnitSpeeds, model
from advisor.editions.measured import anchor_mib_s, pooled_browser, unhindered
from advisor.identify import processors
from advisor.unit import Unit, frame

OVERLAPPED = 0.28
"""What overlapping the reads with the processor's work saved of cold starts on an SSD, mean of its programs: Y. Joo,
J. Ryu, S. Park, K. G. Shin, FAST: Quick Application Launch on Solid-State Drives, USENIX FAST 2011, abstract."""

MACHINE = {"cpu": "Intel Core i7-860", "ram_gib": 4.0}
READ_MIB_S, ACCESS_MS = 250 / 1.048576, 0.1
"""Their desktop PC and its Intel X25-M of 80 GB: 250 MB/s, some 0.1 ms an access; all from memory."""


def browser_s(read_mib_s: float, access_ms: float) -> float:
    """Seconds from the click to a usable browser on their machine with some disk."""
    own = pooled_browser(unhindered(tables.load("comfort/sessions").frame).astype(float)).loc[("13", "GNOME")]
    work = own["browser_cpu_s"] * anchor_mib_s()
    load = Load(*(np.array([one]) for one in (work, own["browser_read_mib"], own["browser_reads"], own["browser_mib"])))
    found: pd.Series = processors(frame([Unit(**MACHINE)])).iloc[0]
    speeds = (MACHINE["ram_gib"] * 1024, anchor_mib_s() * found["cpu_speed"], found["cpu_cores"], read_mib_s, access_ms)
    unit = UnitSpeeds(*(np.array([[float(one)]]) for one in speeds))
    return float(model().stages["browser"].seconds(unit, load)[0, 0])


def test_the_disk_has_the_share_of_a_cold_start_on_an_ssd_that_was_published() -> None:
    """Overlapped with the work, at most the reads can be saved: their share is 28 % or more, here within a third."""
    cold, warm = browser_s(READ_MIB_S, ACCESS_MS), browser_s(1e9, 1e-9)
    assert OVERLAPPED / 1.33 < 1 - warm / cold < OVERLAPPED * 1.33
