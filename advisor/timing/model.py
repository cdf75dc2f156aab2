"""The timing model: physics, the learnt part and conformal half-widths, fitted together and kept as plain JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel, StrictBool, StrictInt, StrictStr

from advisor.files import write_whole
from advisor.phrases import counted
from advisor.shop import Installer
from advisor.timing.conditions import CONDITIONS, EXTRAS, KINDS, MEASURED_PHASES, SPEEDS, UNSAID, check_conditions
from advisor.timing.conformal import LEVEL, Widths, Z
from advisor.timing.kept import (
    AsItIs,
    Coefficient,
    Count,
    Figure,
    Middle,
    Size,
    Whole,
    damaged,
    plain,
    read_kept,
    stating,
)
from advisor.timing.logpart import LogPart
from advisor.timing.physics import PARTS, Physics, part_terms
from advisor.timing.unsure import fill_speeds, worked_out

Array = NDArray[np.float64]

MODEL_FORMAT = 5
"""Layout version of a model file; any other is refused. 5 has packages of a task among those of apt; 4 came by part."""

SLACK = 1.05
"""How far beyond the measured range a speed may lie before it counts as beyond."""

SAME_IMAGE = 0.005
"""Log ratio of sizes below which two images count as the same."""

BEYOND = "beyond what was measured"

REMAKE = "advisor learn"


def disk_class(conditions: pd.DataFrame) -> NDArray[np.str_]:
    """Class of a disk by its measured access time.

    'spinning' from 3 ms, 'slow flash' (cards and eMMC) from 0.2 ms, else 'fast flash'. Half a turn of a disk alone
    takes over 3 ms up to 10,000 turns a minute.
    """
    access = conditions["disk_access_ms"].to_numpy(dtype=float)
    return np.select([access >= 3, access >= 0.2], ["spinning", "slow flash"], "fast flash")


def kind_of(conditions: pd.DataFrame) -> NDArray[np.str_]:
    """Kind of installer, '' where it is none of those that times are predicted of; shape (n,)."""
    return np.select([conditions[kind].to_numpy(dtype=float) > 0 for kind in KINDS], list(KINDS), "")


def speed_features(conditions: pd.DataFrame) -> Array:
    """Logs of the speeds, the features of the learnt part; shape (n, len(SPEEDS))."""
    return np.log(conditions[list(SPEEDS)].to_numpy(dtype=float))


_IN_WORDS: dict[str, tuple[str, float, str]] = {
    "decompress_mib_s": ("decompression", 1, "MiB/s"), "cores": ("cores", 1, ""),
    "disk_read_mib_s": ("disk reads", 1, "MiB/s"), "disk_access_ms": ("disk access", 1, "ms"),
    "link_mbps": ("link", 1, "Mbit/s"),
    "image_bytes": ("image", 2.0**-30, "GiB"), "installed_bytes": ("installed system", 2.0**-30, "GiB"),
    "installed_files": ("files", 1, ""), "extra_packages": ("base set", 1, "packages"),
    "extra_bytes": ("base set", 2.0**-20, "MiB"), "update_packages": ("updates", 1, "packages"),
    "update_bytes": ("updates", 2.0**-20, "MiB"),
}  # fmt: skip
"""Conditions in words, with the unit they are said in."""


def _outside(name: str, way: str, limit: float) -> str:
    """Such as 'installed system more than 2.0 GiB'."""
    word, times, unit = _IN_WORDS.get(name, (name.replace("_", " "), 1, ""))
    return f"{word} {way} than {float(f'{limit * times:.3g}'):,g} {unit}".rstrip()


@dataclass(frozen=True)
class TimingModel:
    """Predicts seconds and minutes; made by `advisor.timing.fit`.

    Attributes
    ----------
    level : float
        Factor on the seconds of the physics: the middle of what its fit leaves.
    widths : Widths
        Half-widths of the log of machine seconds, by class of disk, or by kind of installer where few were rehearsed.
    seen : pandas.DataFrame
        Conditions of the rehearsals it was fitted on, for 'beyond what was measured'; with their names.
    about : dict
        Row counts, versions, date and held-out figures, to be shown.
    levels : dict of str to float
        Level that intervals are served at, by kind of storage and '' for all others, where the shop's log says that
        the promised one misses its share; not kept in the file.
    """

    physics: Physics
    level: float = 1.0
    widths: Widths = field(default_factory=lambda: Widths(np.inf))
    seen: pd.DataFrame = field(default_factory=pd.DataFrame)
    log: LogPart = field(default_factory=LogPart)
    about: dict[str, Any] = field(default_factory=dict)
    levels: dict[str, float] = field(default_factory=dict)

    def log_widths(self, kinds: NDArray[np.object_]) -> Array:
        """Factor on the half-width by what the log taught, at the level that serves; shape (n,)."""
        widths = self.log.widths.of(kinds)
        if not self.levels:
            return widths
        level = np.array([self.levels.get(str(kind), self.levels.get("", LEVEL)) for kind in kinds], dtype=float)
        return widths * self.log.curve.of(level)

    def half_widths(self, conditions: pd.DataFrame) -> Array:
        """Half-width of the log of machine seconds, where all speeds were measured; shape (n,)."""
        kinds = kind_of(conditions)
        return self.widths.of(np.where(np.isin(kinds, list(self.widths.groups)), kinds, disk_class(conditions)))

    @property
    def version(self) -> str:
        """Name of the version, 'shipped' for the model that ships with the package."""
        return str(self.about.get("version", "shipped"))

    @property
    def basis(self) -> str:
        """What the times rest on, such as 'from 64 measured installs and 0 logged units'."""
        installs = counted(int(self.about.get("rehearsals", len(self.seen))), "measured install")
        text = f"from {installs} and {counted(self.log.rows, 'logged unit')}"
        text += "" if self.version == "shipped" else f", version {self.version}"
        return f"{text} (the log is the demo's, invented)" if self.log.invented else text

    def seconds(self, conditions: pd.DataFrame, copy_at_least: Array | float = 0.0) -> pd.DataFrame:
        """Machine seconds by measured phase; see `Physics.predict`."""
        return self.physics.predict(conditions, copy_at_least / self.level) * self.level

    def predict_conditions(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Predict machine seconds under stated conditions.

        Parameters
        ----------
        frame : pandas.DataFrame, shape (n, any)
            Columns of `CONDITIONS`. The three measured speeds may be empty; then `storage_kind` (a word of
            StorageKind) and `cpu_speed` (relative) are read instead where present, and the interval widens. What else
            may stand there (`installer`, a live copy where it is left out; `edition`, `release`, `compression`,
            `disk_gib`) is told by `check_conditions`.

        Returns
        -------
        pandas.DataFrame, shape (n, len(MEASURED_PHASES) + 5)
            `<phase>_s`, `total_s` (their sum), `low_s`, `high_s` (80 % interval) [s], `note` ('' or 'beyond what was
            measured: ...') and `nearest` (the nearest measured case, where beyond). Same index.

        Raises
        ------
        InputError
            When a column is missing or a cell cannot be used.
        """
        conditions = check_conditions(frame, speeds_needed=False)
        filled, how = fill_speeds(conditions, frame)
        unsaid = filled["xz"].isna().to_numpy()
        filled["xz"] = self._compression(filled)
        found, variance = worked_out(filled, how, lambda table: self.seconds(table).to_numpy(copy=True))
        phases = pd.DataFrame(found, columns=list(MEASURED_PHASES), index=frame.index)
        spread = np.sqrt(variance)
        unsure = unsaid & (filled["xz"] == 0.5).to_numpy()
        if unsure.any():
            xz, quick = (self.seconds(filled.assign(xz=value)).sum(axis=1).to_numpy() for value in (1.0, 0.0))
            spread = np.hypot(spread, np.where(unsure, np.abs(np.log(xz / quick)) / 2, 0.0))
        total = phases.sum(axis=1)
        width = np.hypot(self.half_widths(filled), Z * spread)
        out = phases.add_suffix("_s")
        out["total_s"] = total
        out["low_s"] = total * np.exp(-width)
        out["high_s"] = total * np.exp(width)
        notes, nearest = self.beyond(filled)
        out["note"] = notes
        out["nearest"] = nearest
        return out

    def _compression(self, conditions: pd.DataFrame) -> Array:
        """How an image is compressed where nobody said: as the one of the same size that was measured, else unsure."""
        stated = conditions["xz"].to_numpy(dtype=float)
        found = np.where(np.isnan(stated), 0.5, stated)
        sizes = ["image_bytes", "installed_bytes"]
        images = self.seen.drop_duplicates([*sizes, "xz"])
        for row in np.flatnonzero(np.isnan(stated)) if len(images) else []:
            off = np.abs(
                np.log(conditions[sizes].to_numpy(dtype=float)[row] / images[sizes].to_numpy(dtype=float))
            ).max(axis=1)
            best = int(off.argmin())
            if off[best] < SAME_IMAGE and not np.isnan(images["xz"].iloc[best]):
                found[row] = images["xz"].iloc[best]
        return found

    def beyond(self, conditions: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
        """Say where conditions lie beyond the rehearsals, and which rehearsal is nearest.

        Parameters
        ----------
        conditions : pandas.DataFrame, shape (n, any)
            Columns of `CONDITIONS`, all known.

        Returns
        -------
        notes : pandas.Series of str
            '' within; else 'beyond what was measured: ' and the conditions in words with the measured limit.
        nearest : pandas.Series of str
            '' within; else the nearest measured case in words.
        """
        notes = np.full(len(conditions), "", dtype=object)
        nearest = np.full(len(conditions), "", dtype=object)
        kinds = kind_of(conditions)
        seen_kinds = kind_of(self.seen) if len(self.seen) else np.array([], dtype=str)
        for kind in np.unique(kinds):
            rows, seen = np.flatnonzero(kinds == kind), self.seen[seen_kinds == kind]
            if seen.empty:
                notes[rows] = f"{BEYOND}: no rehearsal of this kind of installer yet"
                continue
            notes[rows] = _past(conditions.iloc[rows], seen)
            outside = rows[notes[rows] != ""]
            nearest[outside] = _nearest(conditions.iloc[outside], seen)
        return pd.Series(notes, index=conditions.index), pd.Series(nearest, index=conditions.index)

    def save(self, path: str | Path) -> Path:
        """Write the model as JSON, whole or not at all."""
        content = {
            "format": MODEL_FORMAT,
            "about": self.about,
            "physics": {
                part: {
                    "terms": dict(zip(_term_names(part), self.physics.coefficients[part], strict=True)),
                }
                for part in PARTS
            },
            "level": self.level,
            "widths": self.widths,
            "log": self.log,
            "seen": {"columns": list(self.seen.columns), "rows": list(self.seen.itertuples(index=False, name=None))},
        }  # fmt: skip
        return write_whole(path, json.dumps(plain(content), indent=1, ensure_ascii=False, allow_nan=False) + "\n")


class KeptPart(BaseModel):
    """Coefficients of one part in a model's file."""

    terms: dict[str, Coefficient]


class KeptSeen(BaseModel):
    """Conditions of the rehearsals."""

    columns: list[StrictStr]
    rows: list[list[StrictStr | Size | None]]


class KeptGate(BaseModel):
    """What the gate said of a version, as far as it is read again."""

    accepted: StrictBool | None = None
    median_serving: Figure | None = None
    median_candidate: Figure | None = None


class KeptAbout(BaseModel):
    """What is shown of a timing model, as far as it is read again."""

    rehearsals: Count = 0
    version: StrictStr = ""
    learnt: StrictStr = ""
    tables: StrictStr = ""
    made_with: dict[str, str] = {}
    gate: KeptGate = KeptGate()


class KeptTiming(BaseModel):
    """The file of a timing model."""

    format: StrictInt
    about: Annotated[KeptAbout, AsItIs]
    physics: dict[str, KeptPart]
    level: Middle
    widths: Annotated[Widths, Whole]
    log: Annotated[LogPart, stating("rows", "invented", "hands_factor", "widths")]
    seen: KeptSeen


def load_model(path: str | Path, remake: str = REMAKE) -> TimingModel:
    """Read a model file; it holds numbers and text only, and is checked before use. `remake` is said where it fails."""
    kept = read_kept(path, KeptTiming, MODEL_FORMAT, remake)
    try:
        coefficients = {}
        for part in PARTS:
            stored, names = kept.physics[part], _term_names(part)
            if set(names) != set(stored.terms):
                raise ValueError(f"it was made with other terms of the part {part}")
            coefficients[part] = np.array([stored.terms[name] for name in names])
        if any(len(row) != len(kept.seen.columns) for row in kept.seen.rows):
            raise ValueError("a rehearsal has not as many conditions as there are columns")
        seen = pd.DataFrame(kept.seen.rows, columns=kept.seen.columns)
        if not seen.empty:
            figures = [*CONDITIONS, *EXTRAS]
            seen[figures] = seen[figures].astype(float)
            if not np.isfinite(seen[figures].drop(columns=list(UNSAID)).to_numpy()).all():
                raise ValueError("a condition of a rehearsal is no number")
        return TimingModel(Physics(coefficients), kept.level, kept.widths, seen, kept.log, dict(kept.about))
    except (ValueError, KeyError) as error:
        raise damaged(path, error, remake) from error


def _term_names(part: str) -> list[str]:
    """What the terms of a part are called in a model's file, in order."""
    return [f"{term.stage} | {term.need} | {term.name}" for term in part_terms(part)]


def _past(conditions: pd.DataFrame, seen: pd.DataFrame) -> NDArray[np.object_]:
    """What of some rows lies beyond what was seen of their kind of installer, in words; '' within."""
    notes = np.full(len(conditions), "", dtype=object)

    def add(wrong: NDArray[np.bool_], text: str) -> None:
        notes[wrong] = np.where(notes[wrong] == "", f"{BEYOND}: {text}", notes[wrong] + f", {text}")

    for name in CONDITIONS:
        values, there = conditions[name].to_numpy(dtype=float), seen[name].to_numpy(dtype=float)
        low, high = float(there.min()), float(there.max())
        add(values < low / SLACK, _outside(name, "less", low))
        add(values > high * SLACK, _outside(name, "more", high))
    if (live := seen[str(Installer.LIVE)].gt(0)).any() and not seen["xz"][live].gt(0).any():
        add(conditions["xz"].to_numpy(dtype=float) > 0.5, "image packed with xz")
    return notes


def _nearest(conditions: pd.DataFrame, seen: pd.DataFrame) -> NDArray[np.object_]:
    """The nearest measured case of some rows, in words."""
    nearest = np.full(len(conditions), "", dtype=object)
    here, there = (np.log1p(frame[list(CONDITIONS)].to_numpy(dtype=float)) for frame in (conditions, seen))
    # The machine makes two cases alike before what is installed does.
    scale = np.maximum(there.std(axis=0), 0.1) * np.where(np.isin(CONDITIONS, SPEEDS), 1.0, 4.0)
    squares = ((there / scale) ** 2).sum(axis=1)
    for start in range(0, len(here), 10_000):
        some = slice(start, start + 10_000)
        # Squares of distances, without what all of a row have in common.
        best = (squares - 2 * (here[some] / scale) @ (there / scale).T).argmin(axis=1)
        cases, which = np.unique(best, return_inverse=True)
        nearest[some] = np.array([_case(seen.iloc[at]) for at in cases], dtype=object)[which]
    return nearest


def _case(row: pd.Series[Any]) -> str:
    return (
        f"{row.get('name') or 'a measured install'}: {row.decompress_mib_s:.3g} MiB/s x {row.cores:g} cores, "
        f"disk {row.disk_read_mib_s:.0f} MiB/s and {row.disk_access_ms:.2g} ms, link {row.link_mbps:.3g} Mbit/s"
    )


def with_log(model: TimingModel, log: LogPart) -> TimingModel:
    """The same model with what a bench log taught."""
    return replace(model, log=log)
