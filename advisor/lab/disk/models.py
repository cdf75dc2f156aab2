"""Disks by name: figures of their manuals, turned into parameters of the mechanics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from advisor import tables
from advisor.errors import InputError

KNEE = 0.195
"""Share of the stroke up to which a seek goes with the root of its distance: 383 of the 1962 cylinders of the HP 97560
(Ruemmler and Wilkes 1994; from memory)."""

PLAIN, SPINNING, FLASH = 0.0, 1.0, 2.0
BLOCK = 4096.0


@dataclass(frozen=True)
class DiskModel:
    """A disk that the paced one can be: its manual's figures, none for a plain one, and the mechanics' parameters."""

    name: str
    kind: str
    figures: Mapping[str, float]
    parameters: Mapping[str, float]

    @property
    def capacity(self) -> int:
        """Size [B]."""
        return int(self.parameters["capacity"])

    @property
    def rotational(self) -> bool:
        """Whether the kernel is told that it turns."""
        return self.kind in ("spinning disk", "hybrid disk")


def plain(rate_mib_s: float, access_ms: float, capacity: int, kind: str = "") -> DiskModel:
    """A disk of one rate [MiB/s] and one access time [ms], whatever the distance."""
    parameters = {"kind": PLAIN, "capacity": float(capacity), "rate": rate_mib_s * (1 << 20),
                  "access": access_ms / 1000, "depth": 1.0}  # fmt: skip
    return DiskModel(f"{rate_mib_s:g} MiB/s, {access_ms:g} ms", kind, {}, parameters)


def seek_curve(track: float, average: float, full: float) -> tuple[float, float]:
    """Slopes of the seek curve over the share x of the stroke, root of x up to `KNEE` and straight beyond: those that
    give the mean over all pairs of tracks (a distance x comes up with 2 (1 - x) dx) and the full stroke.
    """
    u = KNEE**0.5
    root_mean = 2 * (2 / 3 * u**3 - 2 / 5 * u**5) + u * (1 - KNEE) ** 2
    line_mean = (1 - KNEE) ** 3 / 3
    a, b = average - track, full - track
    root = (a * (1 - KNEE) - b * line_mean) / (root_mean * (1 - KNEE) - u * line_mean)
    return root, (b - root * u) / (1 - KNEE)


def _spinning(f: Mapping[str, float]) -> dict[str, float]:
    root, slope = seek_curve(f["seek_track_ms"], f["seek_average_ms"], f["seek_full_ms"])
    return {
        "kind": SPINNING, "capacity": f["capacity_gb"] * 1e9, "depth": f["queue"], "overhead": f["overhead_ms"] / 1e3,
        "interface_rate": f["interface_mb_s"] * 1e6, "revolution": 60 / f["rpm"], "outer_rate": f["outer_mb_s"] * 1e6,
        "inner_rate": f["inner_mb_s"] * 1e6, "head_switch": f["head_switch_ms"] / 1e3, "heads": f["heads"],
        "settle": f["seek_track_ms"] / 1e3, "root": root / 1e3, "knee": KNEE, "slope": slope / 1e3,
        "write_settle": f["write_settle_ms"] / 1e3, "segment": f["segment_kib"] * 1024, "segments": f["segments"],
        "write_cache": f["write_cache_mib"] * (1 << 20), "hybrid_bytes": f.get("hybrid_gib", 0) * (1 << 30),
        "hybrid_latency": f.get("hybrid_latency_ms", 0) / 1e3,
    }  # fmt: skip


def _flash(f: Mapping[str, float]) -> dict[str, float]:
    out = {
        "kind": FLASH, "capacity": f["capacity_gb"] * 1e9, "depth": f["queue"], "overhead": 2e-5,
        "read_rate": f["read_mb_s"] * 1e6, "write_rate": f["write_mb_s"] * 1e6,
        "slow_rate": f["slow_write_mb_s"] * 1e6, "cache": f["cache_gb"] * 1e9,
        # While it rests it empties its cache, as fast as it could have written past it.
        "recover": f["slow_write_mb_s"] * 1e6, "flush_time": f["flush_ms"] / 1e3,
    }  # fmt: skip
    for way in ("read", "write"):
        passing = BLOCK / out[f"{way}_rate"]
        out[f"{way}_gap"] = max(0.0, 1 / f[f"{way}_iops"] - passing)
        out[f"{way}_latency"] = max(0.0, 1 / f[f"{way}_iops_1"] - out[f"{way}_gap"] - passing)
    # As many channels as keep the wire busy at most, and no more commands than may be under way.
    least = max(out[f"{way}_latency"] * f[f"{way}_iops"] for way in ("read", "write"))
    out["channels"] = min(max(1.0, float(round(2 * least))), f["queue"])
    return out


@cache
def known() -> dict[str, DiskModel]:
    """The disks of the table lab/disks, by name."""
    frame = tables.load("lab/disks").frame
    found = {}
    for name, rows in frame.groupby("disk", sort=False):
        figures = {str(row.parameter): float(str(row.value)) for row in rows.itertuples()}
        kind = str(rows["kind"].iat[0])
        turning = kind in ("spinning disk", "hybrid disk")
        try:
            found[str(name)] = DiskModel(str(name), kind, figures, _spinning(figures) if turning else _flash(figures))
        except KeyError as absent:
            raise InputError(f"The disk {name!r} of lab/disks lacks {absent.args[0]}.") from absent
    return found


def model(name: str) -> DiskModel:
    """A disk by its name in lab/disks."""
    if name not in known():
        raise InputError(f"There is no disk {name!r}.", f"There are: {', '.join(known())}.")
    return known()[name]
