"""How long each unit holds a slot: hands-on and elapsed minutes, their interval, and the breakdown.

The hands' minutes are of `hands`; the machine's of `physics` for what rehearsals timed, of `_assumed_works` for starts
and sealing. `combine` puts them together.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import ByUnit, distinct, figures, words
from advisor.editions import catalogue as built_in
from advisor.errors import InputError
from advisor.shop import Image, Practice, Shop, default_shop
from advisor.timing import operations
from advisor.timing.conditions import CONDITIONS, MIB, journal_mib
from advisor.timing.conformal import Z
from advisor.timing.hands import HandsOn, hands_on, phase_table
from advisor.timing.model import TimingModel
from advisor.timing.rates import assumed, storage_rates
from advisor.timing.unsure import Filled, fill_speeds, worked_out
from advisor.timing.work import WORK_COLUMNS, work_of
from advisor.unit import StorageKind, Unit, frame

Array = NDArray[np.float64]

BASES = ("measured", "published", "modelled", "memory")
"""What minutes may rest on."""

CACHE_MBPS = 941.0
"""What a package cache on the bench's own wire gives at least: payload of TCP over gigabit Ethernet, 1448 of each 1538
bytes (IEEE 802.3 frame with its gap, headers of IPv4 and TCP with timestamps) [Mbit/s]."""

MEASURED_SPEEDS = ("decompress_mib_s", "disk_read_mib_s", "disk_access_ms", "disk_near_ms")
"""Speeds that times are worked out from as `capture --speed` measured them; of the disk's end none is."""

REHEARSED = ("copy", "refresh", "base", "updates")
"""Machine work that rehearsals timed; its size is counted or measured. That of a start is as `timing/assumed` says."""

COPYING = ("format", "copy", "grow", "tasks", "boot", "sync")
"""Measured phases that an installer goes through by itself: one row of the sheet, whatever its kind."""

Note = tuple[NDArray[np.bool_], str, Any, str]
"""A fact that was assumed: mask of the units, fact, value as text or as an array of values, source."""


@dataclass(frozen=True)
class Setting(ByUnit):
    """What is known of each unit before its times are worked out."""

    WHOLE = frozenset({"notes"})

    # Columns of `CONDITIONS` with nothing unknown, of `EXTRAS`, session_cpu and session_mib; RangeIndex, shape (n, any)
    conditions: pd.DataFrame
    filled: Filled  # How unmeasured speeds were filled in
    usable: NDArray[np.bool_]  # False where there is no edition, or no disk to install on, shape (n,)
    kinds: NDArray[np.object_]  # Kind of storage, 'unknown' where it is, shape (n,)
    notes: list[Note]  # For `Timing.assumed`
    # 'model' (maker and model, small letters) and 'image', '' where unknown: what a log may have taught of them, shape
    # (n,).
    groups: dict[str, NDArray[np.object_]] = field(default_factory=dict)


@dataclass(frozen=True)
class Timing:
    """Times of every unit.

    Attributes
    ----------
    hands_on_min, elapsed_min : pandas.Series
        Minutes that somebody's hands are needed, and that the unit holds a slot [min]; NA where it cannot be
        installed (no edition, no disk). Elapsed starts when the unit is put on the slot and assumes that somebody
        comes when the machine is ready.
    elapsed_low_min, elapsed_high_min : pandas.Series
        80 % interval of elapsed_min [min].
    note : pandas.Series of str
        '' or 'beyond what was measured: ...' with the nearest measured case.
    basis : str
        Such as 'from 64 measured installs and 0 logged units'.
    """

    hands_on_min: pd.Series
    elapsed_min: pd.Series
    elapsed_low_min: pd.Series
    elapsed_high_min: pd.Series
    basis: str
    model: TimingModel = field(repr=False)
    parts: Combined = field(repr=False)
    _hands: HandsOn = field(repr=False)
    _setting: Setting = field(repr=False)
    _again: Callable[[], Setting] = field(repr=False)

    @property
    def conditions(self) -> pd.DataFrame:
        """Conditions of the units that have minutes, by their position."""
        return self._setting.conditions[self._setting.usable]

    def machine_anew(self) -> Array:
        """Machine minutes worked out once more, such as with what `rates.supposing` takes; NaN where there are none.

        Returns
        -------
        numpy.ndarray, shape (n,)
            [min].
        """
        given, sure = self._again(), np.zeros(len(self.hands_on_min))
        filled = replace(given.filled, cpu_sd=sure, read_sd=sure, access_sd=sure)
        parts, _ = worked_out(given.conditions, filled, lambda some: scaled_minutes(self.model, some))
        return np.where(given.usable, parts.sum(axis=1) * self.model.log.factor(given.groups), np.nan)

    @cached_property
    def phases(self) -> pd.DataFrame:
        """Breakdown, a row a unit and phase.

        Returns
        -------
        pandas.DataFrame
            row (position of the unit), phase, title, hands_on_min (hands are needed), machine_min (the machine holds
            the slot, hands-on included: these add up exactly to elapsed_min), work_min (what the machine itself works)
            and overlap_min (hands-on minutes that run under the machine's work), all [min]:
            machine_min = hands_on_min + work_min - overlap_min. Units without times have no rows.
        """
        table = phase_table()
        rows = np.flatnonzero(self._setting.usable)
        k = len(table.names)
        hands, work, over = (part[rows].ravel() for part in (self.parts.hands, self.parts.work, self.parts.overlap))
        codes = np.tile(np.arange(k), rows.size)
        return pd.DataFrame({
            "row": np.repeat(rows, k),
            "phase": pd.Categorical.from_codes(codes, pd.Index(table.names)),
            "title": pd.Categorical.from_codes(codes, pd.Index(table.titles)),
            "hands_on_min": hands,
            "machine_min": np.round(hands + work - over, 1),
            "work_min": work,
            "overlap_min": over,
        })  # fmt: skip

    @cached_property
    def assumed(self) -> pd.DataFrame:
        """Facts that were assumed, a row a unit and fact: row, fact, value, source (text)."""
        parts = []
        for mask, fact, value, source in self._setting.notes:
            rows = np.flatnonzero(mask & self._setting.usable)
            if rows.size:
                shown = value[rows] if isinstance(value, np.ndarray) else value
                parts.append(pd.DataFrame({"row": rows, "fact": fact, "value": shown, "source": source}))
        if not parts:
            return pd.DataFrame({"row": pd.Series(dtype="int64"), "fact": "", "value": "", "source": ""})
        return pd.concat(parts, ignore_index=True).sort_values(["row", "fact"], kind="stable", ignore_index=True)

    @cached_property
    def note(self) -> pd.Series:
        """'' or 'beyond what was measured: ...; nearest is ...', a text a unit."""
        notes, nearest = self.model.beyond(self._setting.conditions)
        beyond = (notes != "") & self._setting.usable
        text = notes.where(nearest == "", notes + "; nearest is " + nearest).where(beyond, "")
        return pd.Series(text.to_numpy(), index=self.hands_on_min.index, dtype="string")

    @property
    def hands_low_min(self) -> pd.Series:
        """Lower end of the 80 % interval of the hands-on minutes, by operators' spreads, then by the log [min]."""
        return self.hands_on_min * np.exp(-self.parts.hands_width)

    @property
    def hands_high_min(self) -> pd.Series:
        """Upper end of that interval [min]."""
        return self.hands_on_min * np.exp(self.parts.hands_width)

    @cached_property
    def steps(self) -> pd.DataFrame:
        """The hands-on minutes unfolded, a row a unit and step that is done.

        Returns
        -------
        pandas.DataFrame
            row (position of the unit), phase, step (its title), seconds (with the allowance, at the shop's pace),
            operators (in words), typed (the text that is typed), source (of its counts). Standing by and
            fitting parts are no steps.
        """
        table, done = operations.steps(), np.where(self._setting.usable[:, None], self._hands.done, 0.0)
        rows, at = np.nonzero(done)
        seconds = done[rows, at] * table.seconds[at] * self.model.log.hands_factor
        words = np.array([operations.worded(one) for one in table.counts], dtype=object)
        phase, title, typed, source = (
            np.array(part, dtype=object)[at] for part in (table.phase, table.title, table.typed, table.source)
        )
        return pd.DataFrame({
            "row": rows, "phase": phase, "step": title, "seconds": np.round(seconds, 1), "operators": words[at],
            "typed": typed, "source": source,
        })  # fmt: skip

    @cached_property
    def shares(self) -> pd.DataFrame:
        """What the elapsed minutes rest on, a row a unit; NA where there are no minutes.

        Returns
        -------
        pandas.DataFrame
            Columns `BASES`, shares of the elapsed minutes that add up to 1: 'measured' (machine work that rehearsals
            were made of, on conditions within theirs), 'published' (hands-on minutes from operators with a published
            time, in steps that are counted or common practice, and the wait for the firmware), 'modelled' (machine work
            beyond what was rehearsed, and of a start what was measured) and 'memory' (machine work whose size is from
            memory, as what of a copy only the stick's pace asks for; operators whose time or number is).
        """
        parts = self.parts
        machine = parts.work - parts.overlap + parts.wait
        rehearsed = np.isin(phase_table().machine, REHEARSED)
        inside = self.note.eq("").to_numpy(dtype=bool)
        stick = (machine * self._of_stick()).sum(axis=1)
        fitted, busy = machine[:, rehearsed].sum(axis=1) - stick, (parts.hands - parts.wait).sum(axis=1)
        by_heart = busy * self._hands.by_heart
        published, remembered = ((machine * share)[:, ~rehearsed].sum(axis=1) for share in self._of_starts())
        minutes = np.column_stack([
            np.where(inside, fitted, 0.0), busy - by_heart + published,
            np.where(inside, 0.0, fitted) + machine[:, ~rehearsed].sum(axis=1) - published - remembered,
            remembered + by_heart + stick,
        ])  # fmt: skip
        total = minutes.sum(axis=1, keepdims=True)
        usable = self._setting.usable[:, None]
        shares = np.where(usable & (total > 0), minutes / np.where(total > 0, total, 1), np.nan)
        return pd.DataFrame(shares, columns=list(BASES), index=self.hands_on_min.index).astype("Float64")

    def _of_stick(self) -> Array:
        """Share of each phase's machine work that only the stick's pace asks for; (n, number of bench phases)."""
        paced, free = (scaled_minutes(self.model, self._setting.conditions, medium) for medium in (1.0, np.inf))
        copied = np.array([work == "copy" for work in phase_table().machine])
        return np.where(copied & (paced > 0), 1 - free / np.where(paced > 0, paced, 1), 0.0)

    def _of_starts(self) -> tuple[Array, Array]:
        """Shares of each phase's machine work that are published, and from memory; (n, number of bench phases) each.

        Of phases that were rehearsed neither.
        """
        named = {name: frozenset(one for one, fact in assumed().items() if fact.basis == name) for name in BASES}
        given = self._setting.conditions
        whole, but_published = (_by_phase(_assumed_works(given, without)) for without in ((), named["published"]))
        alone = given.assign(session_cpu=0.0, session_mib=0.0)
        by_heart = _by_phase(_assumed_works(alone, named["published"] | named["measured"]))
        found = np.stack([whole - but_published, by_heart]) / np.maximum(whole, 1e-9) * (whole > 0)
        return found[0], found[1]


def setting(
    units: pd.DataFrame, processors: pd.DataFrame, editions: pd.Series, images: pd.Series, shop: Shop,
    catalogue: pd.DataFrame | None = None,
) -> Setting:  # fmt: skip
    """Gather the conditions of every unit, and how each was known.

    Parameters
    ----------
    units, processors, editions, images, shop
        As for `predict`.
    catalogue : pandas.DataFrame, optional
        Rows of editions; the built-in catalogue when left out.
    """
    pairs = pd.DataFrame({
        "image": images.astype("string").reset_index(drop=True),
        "edition": editions.astype("string").reset_index(drop=True),
    })  # fmt: skip
    kind = words(units, "storage_kind").reset_index(drop=True)
    usable = np.asarray(pairs.notna().all(axis=1)) & ~np.asarray((kind == StorageKind.NONE).fillna(False), dtype=bool)
    work, notes = _work(pairs, shop, catalogue) if usable.any() else (_no_work(len(units)), [])
    stated, said = _stated(units, processors, shop)
    known = processors.reset_index(drop=True).reindex(
        columns=["cpu_speed", "cpu_speed_low", "cpu_speed_high"]
    ).assign(storage_kind=kind)  # fmt: skip
    conditions, filled = fill_speeds(work.assign(**stated), known)
    notes += said + _speed_notes(conditions, filled, known)
    kinds = np.asarray(kind.fillna("unknown"), dtype=object)
    groups = {"model": model_labels(units), "image": np.asarray(pairs["image"].fillna(""), dtype=object)}
    return Setting(conditions, filled, usable, kinds, notes, groups)


def _no_work(n: int) -> pd.DataFrame:
    """Rows that cannot be timed still need numbers to go through the arithmetic; their results are dropped."""
    return pd.DataFrame(1.0, index=range(n), columns=list(dict.fromkeys([*CONDITIONS, *WORK_COLUMNS])))


def _work(pairs: pd.DataFrame, shop: Shop, catalogue: pd.DataFrame | None) -> tuple[pd.DataFrame, list[Note]]:
    """What each unit's image and edition come to, and for which of them it was assumed."""
    codes, first = distinct((pairs[name] for name in pairs), len(pairs))
    named = pairs.iloc[first].fillna("")
    known = named[(named["image"] != "") & (named["edition"] != "")]
    table, lacking = work_of(known, shop, catalogue)
    work = _no_work(len(pairs))
    by_pair = table.reindex(pd.MultiIndex.from_frame(named)).to_numpy()[codes]
    work[list(table.columns)] = np.where(np.isnan(by_pair), 1.0, by_pair)
    notes: list[Note] = []
    for (image, edition), facts in lacking.items():
        mask = ((pairs["image"] == image) & (pairs["edition"] == edition)).fillna(False).to_numpy(dtype=bool)
        notes += [(mask, what, f"{edition} on {image}", "mean of the editions the catalogue holds") for what in facts]
    return work, notes


def _stated(units: pd.DataFrame, processors: pd.DataFrame, shop: Shop) -> tuple[dict[str, Array], list[Note]]:
    """Conditions that the unit itself tells: speeds as told; cores and link as usual where they are not."""
    usual, real = assumed()["cpu_cores"], assumed()["link_factor"].value
    link, cores = (figures(units, name) for name in ("link_mbps", "cpu_cores"))
    cores = np.where(np.isnan(cores), figures(processors, "cpu_cores"), cores)
    cache_mbps = CACHE_MBPS * (Practice.CACHE in shop.practices)
    stated = {name: figures(units, name) for name in MEASURED_SPEEDS} | {
        "cores": np.where(np.isnan(cores), usual.value, cores),
        "link_mbps": np.maximum(np.where(np.isnan(link), shop.link_mbps, link), cache_mbps) * real,
        "journal_mib": journal_mib(pd.DataFrame({"disk_gib": figures(units, "storage_gib")})),
    }
    return stated, [
        (np.isnan(link), "link_mbps", f"{shop.link_mbps:g} Mbit/s", "the shop's setting"),
        (np.isnan(cores), "cpu_cores", f"{usual.value:g}", usual.source),
    ]


def model_labels(units: pd.DataFrame) -> NDArray[np.object_]:
    """Maker and model of each unit in small letters and single spaces; '' where the model is unknown."""
    codes, names = pd.factorize(words(units, "maker").fillna("") + " " + words(units, "model"))
    labels = [" ".join(str(text).casefold().split()) for text in names]
    return np.array([*labels, ""], dtype=object)[codes]


def _speed_notes(conditions: pd.DataFrame, filled: Filled, facts: pd.DataFrame) -> list[Note]:
    typical = assumed()["cpu_speed"]
    no_speed = np.isnan(figures(facts, "cpu_speed")) & (filled.cpu_sd > 0)
    rates = storage_rates()
    mixture = " or ".join(
        f"{kind} ({share:.0%})" for kind, share in zip(rates.kinds, rates.share, strict=True) if share
    )

    def shown(name: str, unit: str) -> NDArray[np.object_]:
        numbers = conditions[name].to_numpy()
        values, codes = np.unique(numbers, return_inverse=True)
        return np.array([f"{float(format(value, '.3g')):g} {unit}" for value in values], dtype=object)[codes]

    table = "table timing/storage_rates, by kind of storage"
    notes: list[Note] = [
        (no_speed, "cpu_speed", f"{typical.value:g}, from {typical.low:g} to {typical.high:g}", typical.source),
        (
            filled.cpu_sd > 0, "decompress_mib_s", shown("decompress_mib_s", "MiB/s"),
            f"processor's speed; anchor {assumed()['decompress_at_one'].source}",
        ),
        (filled.unknown_kind, "storage_kind", mixture, "how common each kind is, from memory"),
        ((filled.read_sd > 0) & ~filled.unknown_kind, "disk_read_mib_s", shown("disk_read_mib_s", "MiB/s"), table),
        ((filled.access_sd > 0) & ~filled.unknown_kind, "disk_access_ms", shown("disk_access_ms", "ms"), table),
    ]  # fmt: skip
    return notes


SIZES = ("restart_wait", "restart_cpu", "restart_read", "restart_access", "medium_read", "seal_work")
"""Assumed facts that are sizes of work."""


def scaled_minutes(
    model: TimingModel, conditions: pd.DataFrame, medium: Array | float = 1.0, wait: Array | float = 1.0
) -> Array:
    """Minutes of machine work by bench phase, without a log; factors on the stick's speed and the firmware's wait."""
    medium_rate = assumed()["medium_mib_s"].value * medium
    # The medium is read while the disk is written: the slower of the two sets the pace.
    measured = model.seconds(conditions, conditions["image_bytes"].to_numpy() / MIB / medium_rate)
    return _by_phase(
        _assumed_works(conditions, medium=medium, wait=wait)
        | {"copy": measured[list(COPYING)].to_numpy().sum(axis=1)}
        | {name: measured[name].to_numpy() for name in ("refresh", "base", "updates")}
    )


def _assumed_works(
    conditions: pd.DataFrame, without: Collection[str] = (), medium: Array | float = 1.0, wait: Array | float = 1.0
) -> dict[str, Array]:
    """Work of the machine that no rehearsal was made of [s]; the sizes in `without` are taken as nothing."""
    facts = assumed()
    size = {name: 0.0 if name in without else facts[name].value for name in SIZES}
    read, access = conditions["disk_read_mib_s"].to_numpy(), conditions["disk_access_ms"].to_numpy() / 1000
    restart = size["restart_wait"] * wait
    begin = (size["restart_cpu"] + conditions["session_cpu"].to_numpy()) / conditions["decompress_mib_s"].to_numpy()
    load = size["restart_read"] + conditions["session_mib"].to_numpy()
    return {
        "medium": restart + np.hypot(size["medium_read"] / (facts["medium_mib_s"].value * medium), begin),
        "start": restart + np.hypot(begin, load / read + size["restart_access"] * access),
        "seal": np.full(len(conditions), size["seal_work"]),
    }


def _by_phase(works: dict[str, Array]) -> Array:
    """Works [s] as minutes of the bench's phases, nothing where one has none; shape (n, number of bench phases)."""
    nothing = np.zeros(len(works["seal"]))
    return np.column_stack([works.get(name, nothing) for name in phase_table().machine]) / 60


def machine(model: TimingModel, given: Setting) -> tuple[Array, Array]:
    """Machine minutes by phase, and how sure they are.

    Returns
    -------
    minutes : numpy.ndarray, shape (n, number of bench phases)
        [min]; kinds of storage are mixed where the kind is unknown.
    spread : numpy.ndarray, shape (n,)
        Standard deviation of the log of their sum that comes from what was assumed; the model's own error apart.
    """
    if not given.usable.any():
        return np.zeros((len(given.usable), len(phase_table().names))), np.zeros(len(given.usable))
    parts, facts = given.filled, assumed()
    table = given.conditions.assign(c=parts.cpu_sd, r=parts.read_sd, a=parts.access_sd, u=parts.unknown_kind)
    # Many units share a processor, a kind of disk and an edition: each such case is worked out once.
    codes, first = distinct((table[name] for name in table), len(table))
    minutes, variance = worked_out(
        given.conditions.iloc[first].assign(**{MEDIUM: 1.0, WAIT: 1.0}), parts.take(first),
        lambda some: scaled_minutes(model, some, some[MEDIUM].to_numpy(), some[WAIT].to_numpy()),
        {names: facts[fact].sd for fact, names in MOVED.items()},
    )  # fmt: skip
    return minutes[codes] * model.log.factor(given.groups)[:, None], np.sqrt(variance)[codes]


MEDIUM, WAIT = "the medium's speed", "firmware's wait"

MOVED: dict[str, tuple[str, ...]] = {
    "update_packages": ("update_packages", "update_bytes"), "extra_packages": ("extra_packages", "extra_bytes"),
    "link_factor": ("link_mbps",), "medium_mib_s": (MEDIUM,), "restart_wait": (WAIT,), "xz_work": ("xz",),
}  # fmt: skip
"""Assumption to the conditions that it moves."""


def predict(
    units: pd.DataFrame, processors: pd.DataFrame, editions: pd.Series, images: pd.Series, shop: Shop | None = None,
    *, model: TimingModel | None = None, firmware: pd.Series | None = None, part_min: pd.Series | None = None,
    remembered: pd.Series | None = None, catalogue: pd.DataFrame | None = None,
) -> Timing:  # fmt: skip
    """Predict hands-on and elapsed minutes of every unit.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n, any)
        A Unit frame.
    processors : pandas.DataFrame, shape (n, any)
        From `advisor.identify.processors`.
    editions, images : pandas.Series, shape (n,)
        What is to be installed: the edition's and the image's names; NA where nothing is.
    shop : Shop, optional
        The built-in one when left out.
    model : TimingModel, optional
        The serving model when left out.
    firmware : pandas.Series of bool, optional
        Units that need a firmware package brought on a stick.
    part_min : pandas.Series, optional
        Minutes to fit the parts that the advice names [min].
    remembered : pandas.Series, optional
        Those of them that rest on memory [min].
    catalogue : pandas.DataFrame, optional
        Rows of editions; the built-in catalogue when left out.

    Returns
    -------
    Timing
        Its series carry the index of `units`. More memory, a faster disk or a faster processor never lengthens.
    """
    from advisor.timing import serving_model

    model = serving_model() if model is None else model
    shop = default_shop() if shop is None else shop
    given = setting(units, processors, editions, images, shop, catalogue)
    again = partial(
        setting, units, processors, editions, images, shop, built_in() if catalogue is None else catalogue
    )  # fmt: skip
    hands = hands_on(
        units, firmware, part_min, remembered=remembered, editions=editions, images=images, shop=shop
    ).at_pace(model.log.hands_factor)  # fmt: skip
    work, spread = machine(model, given)
    parts = combine(model, given, hands, work, spread)

    def series(values: Array) -> pd.Series:
        return pd.Series(np.where(given.usable, values, np.nan), index=units.index).astype("Float64")

    elapsed = np.round((parts.hands + parts.work - parts.overlap).sum(axis=1), 1)
    return Timing(
        hands_on_min=series(np.round(parts.hands.sum(axis=1), 1)),
        elapsed_min=series(elapsed),
        elapsed_low_min=series(np.floor(10 * elapsed * np.exp(-parts.width)) / 10),
        elapsed_high_min=series(np.ceil(10 * elapsed * np.exp(parts.width)) / 10),
        basis=model.basis, model=model, parts=parts, _hands=hands, _setting=given, _again=again,
    )  # fmt: skip


@dataclass(frozen=True)
class Combined:
    """Rounded minutes by phase, and the half-width of the log of elapsed minutes."""

    # hands, work, overlap, wait: [min], to a tenth, so that what is shown adds up; `wait` is the part of hands and
    # overlap that is stood by, shape (n, number of bench phases).
    hands: Array
    work: Array
    overlap: Array
    wait: Array
    # width, hands_width: Of elapsed and of hands-on minutes, shape (n,).
    width: Array
    hands_width: Array


def combine(model: TimingModel, given: Setting, hands: HandsOn, work: Array, spread: Array) -> Combined:
    """Put hands-on minutes, at the shop's pace, and machine minutes together."""
    # Rounding keeps order, so what is rounded here stays monotone.
    work = np.round(work, 1)
    busy, under, wait = hands.beside(work)
    by_phase, overlap = busy + wait, under + wait
    elapsed = (by_phase + work - overlap).sum(axis=1)
    spreads = model.half_widths(given.conditions) / Z
    machine_sd = work.sum(axis=1) * np.hypot(spreads, spread)
    total_sd = np.hypot(machine_sd, hands.spread)
    width = Z * total_sd / np.maximum(elapsed, 1e-9)
    own_sd = hands.spread_with(model.log.hands_sd) / np.maximum(hands.minutes.sum(axis=1), 1e-9)
    return Combined(by_phase, work, overlap, wait, width * model.log_widths(given.kinds), Z * own_sd)


def phases(
    unit: Unit, image: Image | str, shop: Shop | None = None, *, edition: str | None = None,
    model: TimingModel | None = None, catalogue: pd.DataFrame | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Break one unit's minutes down by phase.

    Parameters
    ----------
    image : Image or str
        The image, or its name among the shop's.
    shop : Shop, optional
        The built-in one when left out.
    edition : str, optional
        The shop's standard edition, or else the first that the image installs, when left out.
    model : TimingModel, optional
        The serving model when left out.
    catalogue : pandas.DataFrame, optional
        Rows of editions; the built-in catalogue when left out.

    Returns
    -------
    pandas.DataFrame
        A row a phase; see `Timing.phases`. machine_min adds up to the elapsed minutes. `attrs` carries basis,
        hands_on_min, elapsed_min, elapsed_low_min and elapsed_high_min.

    Raises
    ------
    InputError
        When the image is none of the shop's, does not install the edition, or the unit has no disk.
    """
    from advisor.identify import processors

    shop = default_shop() if shop is None else shop
    found = image if isinstance(image, Image) else shop.image(image)
    if found is None:
        names = ", ".join(known.name for known in shop.images)
        raise InputError(f"The image {image!r} is none of the shop's.", f"It has: {names}.")
    if shop.image(found.name) is None:
        shop = shop.model_copy(update={"images": (*shop.images, found)})
    wanted = edition or (shop.standard_edition if shop.standard_edition in found.editions else found.editions[0])
    if wanted not in found.editions:
        raise InputError(
            f"The image {found.name} does not install {wanted!r}.", f"It has: {', '.join(found.editions)}."
        )
    units = frame([unit])
    timing = predict(
        units, processors(units), pd.Series([wanted], dtype="string"), pd.Series([found.name], dtype="string"), shop,
        model=model, catalogue=catalogue,
    )  # fmt: skip
    if timing.elapsed_min.isna().any():
        raise InputError("The unit has no disk to install on, so there is no time to state.", "Fit a disk first.")
    table = timing.phases.drop(columns="row").astype({"phase": "string", "title": "string"})
    totals = ("hands_on_min", "elapsed_min", "elapsed_low_min", "elapsed_high_min")
    table.attrs |= {"basis": timing.basis, **{name: float(getattr(timing, name).iloc[0]) for name in totals}}
    return table
