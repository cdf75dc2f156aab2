"""The timing model looked at: its predictions of what it had not seen, by class, and what moves them."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from advisor import tables
from advisor.columns import records
from advisor.files import datasets, write_whole
from advisor.phrases import spelt
from advisor.shop import Installer, default_shop
from advisor.timing.physics import of_kinds
from advisor.timing.predict import Timing
from advisor.timing.rates import basis_of, spreads, storage_rates, supposing
from advisor.timing.rehearsals import read_rehearsals, shipped
from advisor.timing.versions import serving_model
from advisor.unit import StorageKind, Unit, frame

HELD_OUT_COLUMNS = (
    "split", "group", "speeds", "name", "disk", "installer", "actual_s", "predicted_s", "low_s", "high_s",
)  # fmt: skip

MEASURED, NOT_MEASURED = "measured", "not measured"
"""Whether the speeds of a unit were known when its rehearsal was predicted."""

INPUTS: dict[str, str] = {
    "decompress_mib_s": "unpacking speed [MiB/s]", "disk_read_mib_s": "disk read [MiB/s]",
    "disk_access_ms": "disk access [ms]", "link_mbps": "download [Mbit/s]", "installed_bytes": "installed [bytes]",
    "update_bytes": "updates [bytes]",
}  # fmt: skip
"""Conditions whose effect on the minutes is drawn."""

STEPS = 25
"""Points of a curve."""

LEAST_MIN = 1e-6
"""Below it a difference is that of the arithmetic [min]."""

TITLES = {
    "cpu_speed": "speed of a processor that is not known", "cpu_cores": "cores of such a processor",
    "speed_spread": "unpacking beside a processor's general speed", "medium_mib_s": "the stick's speed",
    "link_factor": "what the link really gives", "restart_wait": "the firmware's wait at a start",
    "restart_cpu": "processor work of a start", "restart_read": "what a start reads",
    "restart_access": "random reads of a start", "medium_read": "what a start from the stick reads",
    "session_read": "what a desktop reads that was not measured",
    "session_cpu": "processor work of a desktop that was not measured",
    "image_share": "the image beside what it installs",
    "clone_share": "the packed image of a clone beside what it installs",
    "xz_work": "unpacking by xz, file by file beside all at once",
    "installed_files": "files of an edition that was not counted", "extra_packages": "packages of the usual programs",
    "extra_mib": "download of the usual programs", "update_packages": "packages of the updates",
    "update_mib": "download of the updates", "seal_work": "clearing out the bench account",
    "decompress_at_one": "unpacking by the reference processor", "hands_on": "hands-on minutes",
}  # fmt: skip
"""What each assumption is, in words; of a kind of storage its name and `SPEED_TITLES`."""

SPEED_TITLES = {"read_mib_s": "read rate", "access_ms": "access time"}


def mark() -> str:
    """What the held-out predictions belong to: the rehearsals, and the model's own file."""
    digest = hashlib.sha256()
    for path in (shipped(), datasets() / "timing" / "model.json"):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


@cache
def held_out() -> pd.DataFrame:
    """Every rehearsal as predicted by a model that had not seen its group.

    Returns
    -------
    pandas.DataFrame
        Columns `HELD_OUT_COLUMNS`; as shipped, or made anew where rehearsals or model are other ones (half a minute).
    """
    about = tables.meta(datasets() / "timing" / "held_out.meta.toml")
    if about.get("made_for") == mark():
        frame = tables.load("timing/held_out").frame
        numbers = ["actual_s", "predicted_s", "low_s", "high_s"]
        return frame.assign(**{name: frame[name].astype(float) for name in numbers})
    return make_held_out()


def make_held_out() -> pd.DataFrame:
    """Predict every rehearsal anew, its group left out; see `held_out`."""
    from advisor.timing.report import OURS, WITHHELD, judge

    rows = judge(read_rehearsals()).rows
    rows = rows[rows["method"].isin([OURS, WITHHELD])]
    speeds = rows["method"].map({OURS: MEASURED, WITHHELD: NOT_MEASURED})
    return rows.assign(speeds=speeds)[list(HELD_OUT_COLUMNS)].reset_index(drop=True)


def by_class(rows: pd.DataFrame, by: str) -> pd.DataFrame:
    """How often the 80 % range held, and how far predictions missed, by class.

    Parameters
    ----------
    rows : pandas.DataFrame
        With actual, predicted, low and high, each ending alike in '_s' or '_min'.
    by : str
        Column to group by.

    Returns
    -------
    pandas.DataFrame
        class, units, covered_pct with covered_low_pct and covered_high_pct (95 % Wilson interval [1]_), miss_pct
        (median size), bias_pct (median); largest class first.

    References
    ----------
    .. [1] E. B. Wilson, Probable inference, the law of succession, and statistical inference, JASA 22 (1927), 209-212;
       computed by scipy.stats.binomtest.
    """
    from scipy.stats import binomtest

    end = "_s" if "actual_s" in rows else "_min"
    out = []
    for name, part in rows.groupby(by, sort=False, dropna=False):
        inside = int(part[f"actual{end}"].between(part[f"low{end}"], part[f"high{end}"]).sum())
        ends = binomtest(inside, len(part)).proportion_ci(method="wilson")
        error = 100 * (part[f"predicted{end}"] / part[f"actual{end}"] - 1)
        shares = (inside / len(part), ends.low, ends.high)
        out.append((str(name), len(part), *(100 * float(one) for one in shares), error.abs().median(), error.median()))
    names = ["class", "units", "covered_pct", "covered_low_pct", "covered_high_pct", "miss_pct", "bias_pct"]
    return pd.DataFrame(out, columns=names).sort_values("units", ascending=False, kind="stable", ignore_index=True)


def curves() -> pd.DataFrame:
    """What each input alone does to the machine's minutes of a live copy, all others at the rehearsals' median.

    Returns
    -------
    pandas.DataFrame
        input, value, minutes [min]; within what was measured.
    """
    model, rehearsed = serving_model(), read_rehearsals().conditions
    seen = rehearsed[of_kinds(rehearsed, [Installer.LIVE])]
    parts = []
    for name in INPUTS:
        values = np.geomspace(seen[name].min(), seen[name].max(), STEPS)
        table = pd.DataFrame([seen.median()] * STEPS, index=range(STEPS)).assign(**{name: values})
        seconds = model.seconds(table).sum(axis=1).to_numpy()
        parts.append(pd.DataFrame({"input": name, "value": values, "minutes": seconds / 60}))
    return pd.concat(parts, ignore_index=True)


def placed(timing: Timing) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Where units lie against what was measured.

    Returns
    -------
    units : pandas.DataFrame
        The conditions of the units that are timed, and `inside`: within what was measured.
    rehearsals : pandas.DataFrame
        The conditions measured.
    """
    usable, rehearsed = timing.conditions, read_rehearsals()
    return usable.assign(inside=timing.note.loc[usable.index].eq("")), rehearsed.conditions[rehearsed.modelled]


def swings(timing: Timing) -> pd.DataFrame:
    """How far each assumption alone moves the machine's minutes, from the end that a tenth lie below to that above.

    Returns
    -------
    pandas.DataFrame
        assumption (row of `timing/assumed`, 'hands_on', or kind of storage and column), title, minutes (median of the
        change over the units that it moves [min]), units (how many it moves), basis ('published', 'measured' or
        'memory'), source; largest first. What moves none of the units stands last.
    """
    rows = []
    for one in spreads():
        ends = []
        for end in (one.low, one.high):
            with supposing(one, end):
                ends.append(timing.machine_anew())
        moved = np.abs(ends[1] - ends[0])
        moved = moved[moved > LEAST_MIN]
        name, title = f"{one.row}: {one.column}" if one.column else one.row, TITLES.get(one.row, one.row)
        title = f"{SPEED_TITLES[one.column]} of {spelt(one.row)}" if one.column else title
        minutes = float(np.median(moved)) if len(moved) else 0.0
        rows.append((name, title, minutes, len(moved), basis_of(one.source), one.source))
    hands = (timing.hands_high_min - timing.hands_low_min).dropna()
    minutes = float(hands.median()) if len(hands) else 0.0
    words = "operators' spread and a person's pace"
    rows.append(("hands_on", TITLES["hands_on"], minutes, len(hands), "published", words))
    out = pd.DataFrame(rows, columns=["assumption", "title", "minutes", "units", "basis", "source"])
    return out.sort_values("minutes", ascending=False, kind="stable", ignore_index=True)


def plain_units() -> Timing:
    """Times of units that between them need every assumption.

    Every kind of storage, and one that is not known; a processor of twice the reference's speed, and one that is not
    known; an edition of the catalogue, and one whose files and session nobody counted. All by the built-in shop.
    """
    from advisor.editions import catalogue
    from advisor.timing.predict import predict

    kinds = [*map(StorageKind, storage_rates().kinds), None]
    units = frame([Unit(storage_kind=kind, ram_gib=8) for kind in kinds] * 4)
    known = np.repeat([2.0, np.nan], 2 * len(kinds))
    processors = pd.DataFrame(
        {"cpu_speed": known, "cpu_speed_low": known, "cpu_speed_high": known, "cpu_cores": known * 2}
    )
    editions = pd.Series(np.tile(np.repeat(["Xfce", "LXQt"], len(kinds)), 2), dtype="string")
    rows = catalogue()
    uncounted = rows["edition"].eq("LXQt")
    rows = rows.assign(
        **{name: rows[name].mask(uncounted) for name in ("installed_files", "desktop_read_mib", "desktop_cpu_s")}
    )
    images = pd.Series(default_shop().default_image, index=range(len(units)), dtype="string")
    return predict(units, processors, editions, images, catalogue=rows)


def swing_lines(found: pd.DataFrame) -> list[str]:
    """The swings as a table in plain text."""
    said = {"published": "published", "measured": "measured here", "memory": "from memory"}
    out = [f"{'minutes':>7}{'units':>7}  {'rests on':<15}what"]
    for one in records(found):
        moved = f"{one['minutes']:>7.1f}{one['units']:>7}" if one["units"] else f"{'-':>7}{'none':>7}"
        out.append(f"{moved}  {said[one['basis']]:<15}{one['title']} ({one['assumption']})")
    return out


def main() -> None:
    """Write the held-out predictions that ship: python -m advisor.timing.review."""
    folder = datasets() / "timing"
    write_whole(folder / "held_out.csv", make_held_out().to_csv(index=False, float_format="%.2f"))
    meta = Path(folder / "held_out.meta.toml")
    lines = [
        f'made_for = "{mark()}"' if line.startswith("made_for") else line for line in meta.read_text().splitlines()
    ]
    write_whole(meta, "\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
