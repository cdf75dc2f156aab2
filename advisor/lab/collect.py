"""From a campaign's lines to the data that ships, and the noise floor that its repeats show."""

from __future__ import annotations

import json
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from advisor.files import write_whole
from advisor.lab.installers import PHASES
from advisor.lab.rehearsal import judge
from advisor.lab.watch import DISTURBED_PACE
from advisor.shop import Installer


def collect(lines: Sequence[dict[str, object]]) -> list[dict[str, object]]:
    """Choose what ships: of each rehearsal its last undisturbed line, and every other one, marked as disturbed.

    All are judged anew by the rule as it is now; failed ones have no times and are left out. Installs are also held to
    the pace that a core of their processor usually had.
    """
    judged = [(line, judge(line), _pace(line)) for line in lines if not line.get("failed")]
    paces: dict[object, list[float]] = {}
    for line, reason, pace in judged:
        if pace and not reason:
            paces.setdefault(line.get("processor"), []).append(pace)
    chosen: list[dict[str, object]] = []
    later: set[object] = set()
    for line, reason, pace in reversed(judged):
        if pace and not reason:
            usual = statistics.median(paces[line.get("processor")])
            if abs(pace / usual - 1) > DISTURBED_PACE:
                reason = f"a core decompressed {pace:.1f} MiB/s, {usual:.1f} is usual"
        if not reason and line["name"] in later:
            reason = "made again"
        if not reason:
            later.add(line["name"])
        chosen.append({**line, "disturbed": bool(reason), "disturbed_reason": reason})
    return chosen[::-1]


def _pace(line: Mapping[str, Any]) -> float:
    """Decompression of a whole core [MiB/s]; 0 of a tree that one program unpacked."""
    installs = line.get("installer") in tuple(Installer)
    return line["decompress_mib_s"] / (line["quota_pct"] / line["cores"] / 100) if installs else 0.0


def repeats(lines: Sequence[dict[str, object]]) -> pd.DataFrame:
    """Set each undisturbed repeat beside what it repeats.

    `name`, `first_s`, `again_s`, `difference_pct` (of their mean, signed), and `<phase>_difference_s`.
    """
    good = {line["name"]: line for line in lines if not line.get("disturbed") and not line.get("failed")}
    rows = []
    for line in good.values():
        first = good.get(line.get("repeat_of") or None)
        if first is None:
            continue
        before, after = float(str(first["total_s"])), float(str(line["total_s"]))
        rows.append({
            "name": first["name"], "first_s": before, "again_s": after,
            "difference_pct": 100 * (after - before) / ((after + before) / 2),
            **{
                f"{phase}_difference_s": float(str(line[f"{phase}_s"])) - float(str(first[f"{phase}_s"]))
                for phase in PHASES
                if f"{phase}_s" in line
            },
        })  # fmt: skip
    return pd.DataFrame(rows)


def noise_floor_pct(differences_pct: Sequence[float]) -> float:
    """Spread of one rehearsal about its own mean, from the differences of pairs of their mean [%].

    The root mean square of the differences over the root of two (Dahlberg's formula); NaN when there are none.
    """
    values = np.asarray(differences_pct, dtype=float)
    return float(np.sqrt((values**2).mean() / 2)) if values.size else float("nan")


def write_collected(path: str | Path, lines: Sequence[dict[str, object]]) -> None:
    """Write lines as JSON, an object a line."""
    write_whole(path, "".join(json.dumps(line, ensure_ascii=False) + "\n" for line in lines))
