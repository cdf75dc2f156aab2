"""The hard gates: what keeps an edition of an image off a unit, whatever the comfort would be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from advisor.columns import numbers
from advisor.editions.drawing import FROM_YEAR, SURE_DRAWING_YEAR, drawing
from advisor.shop import Image
from advisor.unit import BootMode, StorageKind

GATES: tuple[str, ...] = ("architecture", "boot", "memory", "disk", "graphics")
"""The gates, in the order in which a failed one is reported."""

PASS, FAIL, UNKNOWN = 1, 0, -1

INSTALL_MARGIN = 1.07
"""What a tree takes over what its packages state; measured: Xfce on Debian 13, 3286 MiB (du) for 3063 MiB stated."""

ASSUMED_DRAWING = f"no graphics chip is named: a processor of {SURE_DRAWING_YEAR} or later is taken to draw"
"""What is said where the year alone lets a unit pass the graphics gate."""

LEVELS = ("i686", "v1", "v2", "v3", "v4")

_GUIDE = "Debian Installation Guide, section 2.1.1 (table of architectures)"
_DEBIAN_CD = (
    "package debian-cd, tools/boot/*/boot-x86: amd64 images carry the 32-bit EFI files too, i386 images only those"
)
_BOOT_SIGNED = "no 32-bit shim is signed, so Secure Boot must be off"


@dataclass(frozen=True)
class GateCodes:
    """Verdicts of the gates as numbers: 1 passes, 0 fails, -1 a fact is missing.

    Attributes
    ----------
    editions : tuple of str
        Names of the columns.
    unit : dict of str to numpy.ndarray of int8, shape (n_units,)
        Gates that do not depend on the edition: architecture, boot.
    edition : dict of str to numpy.ndarray of int8, shape (n_units, n_editions)
        Gates that do: memory, disk, graphics.
    assumed_drawing : numpy.ndarray of bool, shape (n_units,)
        Where no graphics is noted and only the processor's year lets it pass; see `ASSUMED_DRAWING`.
    """

    editions: tuple[str, ...]
    unit: dict[str, np.ndarray]
    edition: dict[str, np.ndarray]
    assumed_drawing: np.ndarray

    def worst(self) -> np.ndarray:
        """Combine all gates: 0 when one fails, else -1 when one is unknown, else 1; shape (n_units, n_editions)."""
        stack = [*(codes[:, None] for codes in self.unit.values()), *self.edition.values()]
        shape = next(iter(self.edition.values())).shape
        failed = np.zeros(shape, dtype=bool)
        unknown = np.zeros(shape, dtype=bool)
        for codes in stack:
            failed |= codes == FAIL
            unknown |= codes == UNKNOWN
        return np.where(failed, FAIL, np.where(unknown, UNKNOWN, PASS)).astype(np.int8)


def _coded(column: pd.Series, judge: Callable[[str | None], int]) -> np.ndarray:
    """Judge each distinct text once."""
    codes, distinct = pd.factorize(column)
    verdicts = np.array([*(judge(str(value)) for value in distinct), judge(None)], dtype=np.int8)
    return verdicts[codes]


def _at_least(have: np.ndarray, need: float) -> np.ndarray:
    if np.isnan(need):
        return np.full(have.shape, UNKNOWN, dtype=np.int8)
    return np.where(np.isnan(have), UNKNOWN, have >= need).astype(np.int8)


def _architecture(units: pd.DataFrame, processors: pd.DataFrame, image: Image) -> np.ndarray:
    if image.architecture == "i386" and image.release.isdigit() and int(image.release) >= 13:
        return np.zeros(len(units), dtype=np.int8)
    allowed = LEVELS if image.architecture == "i386" else LEVELS[1:]
    return _coded(
        processors["cpu_level"], lambda level: UNKNOWN if level is None else (PASS if level in allowed else FAIL)
    )


def _boot(units: pd.DataFrame, image: Image) -> np.ndarray:
    if set(BootMode) <= set(image.boots):
        return np.ones(len(units), dtype=np.int8)
    return _coded(units["boot_mode"], lambda mode: UNKNOWN if mode is None else (PASS if mode in image.boots else FAIL))


def need_disk_gib(rows: pd.DataFrame) -> np.ndarray:
    """Disk that each edition must have to be installed.

    Parameters
    ----------
    rows : pandas.DataFrame
        Rows of the catalogue.

    Returns
    -------
    numpy.ndarray, shape (n_editions,)
        The published minimum, or what the unpacked packages and their files take together while the install runs,
        whichever is more [GiB] [1]_.

    References
    ----------
    .. [1] Debian GNU/Linux Installation Guide, section 3.4 table 3.2 and section D.2, "Space needed to install".
    """
    computed = (numbers(rows["installed_mib"]) + numbers(rows["download_mib"])) / 1024 * INSTALL_MARGIN
    return np.fmax(numbers(rows["min_disk_gib"]), computed)


def gate_codes(units: pd.DataFrame, processors: pd.DataFrame, image: Image, catalogue_rows: pd.DataFrame) -> GateCodes:
    """Judge every unit against every gate of every edition, as numbers.

    Parameters
    ----------
    units, processors : pandas.DataFrame, shape (n_units, ...)
        A Unit frame and what `identify.processors` says of it.
    image : advisor.shop.Image
    catalogue_rows : pandas.DataFrame, shape (n_editions, ...)
        Rows of the catalogue, such as `rows_of(image)`.

    Returns
    -------
    GateCodes
    """
    editions = tuple(map(str, catalogue_rows["edition"]))
    ram, disk = numbers(units["ram_gib"]), numbers(units["storage_gib"])
    disk = np.where(units["storage_kind"].eq(StorageKind.NONE).fillna(False).to_numpy(dtype=bool), 0.0, disk)
    least_ram, least_disk = numbers(catalogue_rows["min_ram_gib"]), need_disk_gib(catalogue_rows)
    drawn = drawing(units, processors)
    chip = _coded(
        drawn["drawing"],
        lambda word: {None: UNKNOWN, "hardware": PASS, "software": FAIL}[word],
    )
    wants = catalogue_rows["drawing"].ne("any").fillna(True).to_numpy(dtype=bool)
    return GateCodes(
        editions=editions,
        unit={"architecture": _architecture(units, processors, image), "boot": _boot(units, image)},
        edition={
            "memory": np.column_stack([_at_least(ram, need) for need in least_ram]),
            "disk": np.column_stack([_at_least(disk, need) for need in least_disk]),
            "graphics": np.where(wants[None, :], chip[:, None], PASS).astype(np.int8),
        },
        assumed_drawing=drawn["drawing_from"].eq(FROM_YEAR).fillna(False).to_numpy(dtype=bool),
    )


def _texts(column: pd.Series, say: Callable[[object], str]) -> np.ndarray:
    codes, distinct = pd.factorize(column)
    return np.array([*(say(value) for value in distinct), say(None)], dtype=object)[codes]


def _unit_reasons(units: pd.DataFrame, processors: pd.DataFrame, image: Image) -> dict[str, np.ndarray]:
    """Sentences for the gates that do not depend on the edition, for a failed and a missing fact alike."""
    if image.architecture == "i386" and image.release.isdigit() and int(image.release) >= 13:
        text = f"Debian {image.release} has no i386 installer and kernel"
        architecture = np.full(len(units), text, dtype=object)
    else:
        architecture = _texts(
            processors["cpu_level"],
            lambda level: (
                "the processor is not known, so neither is whether it is 64-bit"
                if level is None
                else f"the processor is {level}, not 64-bit; the image is {image.architecture}"
            ),
        )
    boots_in = ", ".join(str(mode) for mode in image.boots)
    boot = _texts(
        units["boot_mode"],
        lambda mode: (
            f"the boot mode is not known; the image boots in {boots_in}"
            if mode is None
            else f"the unit boots in {mode}; the image boots in {boots_in}"
        ),
    )
    return {"architecture": architecture, "boot": boot}


_UNIT_SOURCES = {"architecture": _GUIDE, "boot": f"{_DEBIAN_CD}; {_BOOT_SIGNED}"}


def boots(units: pd.DataFrame, processors: pd.DataFrame, image: Image) -> pd.DataFrame:
    """Tell whether an image starts on each unit at all: architecture and boot mode.

    Parameters
    ----------
    units, processors : pandas.DataFrame, shape (n_units, ...)
    image : advisor.shop.Image

    Returns
    -------
    pandas.DataFrame, shape (n_units, 4)
        `passes` (boolean, NA when a fact is missing), `gate`, `reason`, `source` (NA where it passes).
    """
    codes = {"architecture": _architecture(units, processors, image), "boot": _boot(units, image)}
    reasons = _unit_reasons(units, processors, image)
    gate = np.full(len(units), None, dtype=object)
    for wanted in (FAIL, UNKNOWN):
        for name in reversed(codes):
            # Failures come last in time only when no failure was noted, so that they win over missing facts.
            hit = (codes[name] == wanted) & ((gate == None) if wanted == UNKNOWN else True)  # noqa: E711
            gate[hit] = name
    failed = (codes["architecture"] == FAIL) | (codes["boot"] == FAIL)
    passes = pd.array(np.where(gate == None, True, False), dtype="boolean")  # noqa: E711
    passes[(gate != None) & ~failed] = pd.NA  # noqa: E711
    reason = np.full(len(units), None, dtype=object)
    source = np.full(len(units), None, dtype=object)
    for name in codes:
        hit = gate == name
        reason[hit], source[hit] = reasons[name][hit], _UNIT_SOURCES[name]
    return pd.DataFrame(
        {
            "passes": passes,
            "gate": pd.array(gate, dtype="string"),
            "reason": pd.array(reason, dtype="string"),
            "source": pd.array(source, dtype="string"),
        },
        index=units.index,
    )


def edition_reason(gate: str, units: pd.DataFrame, row: pd.Series, need_disk: float) -> np.ndarray:
    """Compose the sentence of one gate of one edition for every unit.

    Parameters
    ----------
    gate : str
        'memory', 'disk' or 'graphics'.
    units : pandas.DataFrame, shape (n_units, ...)
    row : pandas.Series
        The edition's row of the catalogue.
    need_disk : float
        From `need_disk_gib` [GiB].

    Returns
    -------
    numpy.ndarray of object, shape (n_units,)
    """
    if gate == "memory":
        least = f"{row['edition']} needs at least {row['min_ram_gib']:g} GiB of memory"
        return _texts(units["ram_gib"], lambda have: f"{least}; {_has(have, 'memory')}")
    if gate == "disk":
        least = f"{row['edition']} needs a disk of at least {need_disk:.1f} GiB"
        none = units["storage_kind"].eq(StorageKind.NONE).fillna(False).to_numpy(dtype=bool)
        texts = _texts(units["storage_gib"], lambda have: f"{least}; {_has(have, 'disk')}")
        return np.where(none, f"{least}; no disk is fitted", texts)
    least = f"{row['edition']} needs {row['needs_gl']}"
    return _texts(
        units["graphics"],
        lambda have: f"{least}; " + ("the graphics chip is not known" if have is None else f"the unit has {have}"),
    )


def _has(have: object, what: str) -> str:
    return f"its {what} is not known" if have is None else f"the unit has {have:g} GiB"


_EDITION_SOURCES = {"memory": "minimum_source", "disk": "minimum_source", "graphics": "graphics_source"}


def gates(units: pd.DataFrame, processors: pd.DataFrame, image: Image, catalogue_rows: pd.DataFrame) -> pd.DataFrame:
    """Judge every unit against the hard gates of every edition of an image.

    Parameters
    ----------
    units, processors : pandas.DataFrame, shape (n_units, ...)
        A Unit frame and what `identify.processors` says of it.
    image : advisor.shop.Image
    catalogue_rows : pandas.DataFrame, shape (n_editions, ...)
        Rows of the catalogue, such as `rows_of(image)`.

    Returns
    -------
    pandas.DataFrame, shape (n_units * n_editions, 6)
        `row` (position of the unit), `edition`, `passes` (boolean; NA when a fact that decides is missing), `gate`
        (the first gate that fails, else the first that cannot be told, NA when all pass), `reason` (where all pass, NA
        but for `ASSUMED_DRAWING`), `source`.
        A unit's editions stand together, in the order of `catalogue_rows`.
    """
    codes = gate_codes(units, processors, image, catalogue_rows)
    n_units, n_editions = len(units), len(codes.editions)
    per_unit = _unit_reasons(units, processors, image)
    gate = np.full((n_units, n_editions), None, dtype=object)
    reason, source = gate.copy(), gate.copy()
    need_disk = need_disk_gib(catalogue_rows)
    for wanted in (FAIL, UNKNOWN):
        for name in GATES:
            one = codes.unit[name][:, None] if name in codes.unit else codes.edition[name]
            hit = np.broadcast_to(one == wanted, gate.shape) & (gate == None)  # noqa: E711
            for column in np.flatnonzero(hit.any(axis=0)):
                rows = hit[:, column]
                gate[rows, column] = name
                if name in per_unit:
                    reason[rows, column], source[rows, column] = per_unit[name][rows], _UNIT_SOURCES[name]
                    continue
                row = catalogue_rows.iloc[column]
                reason[rows, column] = edition_reason(name, units[rows], row, need_disk[column])
                source[rows, column] = row[_EDITION_SOURCES[name]]
    passing = (gate == None) & codes.assumed_drawing[:, None]  # noqa: E711
    reason[passing & catalogue_rows["drawing"].ne("any").fillna(True).to_numpy(dtype=bool)] = ASSUMED_DRAWING
    worst = codes.worst().ravel()
    passes = pd.array(worst == PASS, dtype="boolean")
    passes[worst == UNKNOWN] = pd.NA
    return pd.DataFrame(
        {
            "row": np.repeat(np.arange(n_units), n_editions),
            "edition": pd.Categorical.from_codes(
                np.tile(np.arange(n_editions), n_units), pd.Index(list(codes.editions))
            ),
            "passes": passes,
            "gate": pd.array(gate.ravel(), dtype="string"),
            "reason": pd.array(reason.ravel(), dtype="string"),
            "source": pd.array(source.ravel(), dtype="string"),
        }
    )
