"""What a typed device name means: the ids of the lists whose names it is, or whose names hold its model words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache

from advisor.drivers import ids, small_tables
from advisor.drivers.fitting import Index, fit
from advisor.drivers.ids import ListedDevice
from advisor.drivers.kinds import Kind
from advisor.drivers.wording import (
    NOISE,
    bare,
    chip_makers,
    is_maker,
    is_model,
    makers,
    telling,
    tokens,
    undressed,
    unrevised,
)
from advisor.phrases import few

_MOST_VENDOR_WORDS = 16
_NUMBERED = re.compile(r"(?:(.*)\s)?device\s+(?:0x)?([0-9a-f]{4})", re.IGNORECASE)


@dataclass(frozen=True)
class Matched:
    """What a name was found to mean."""

    entries: tuple[ListedDevice, ...]  # Empty when nothing fits
    problem: str  # '' when the name is clear: one id
    exact: bool = True  # The name is the entries' own; else they are only near
    taken: str = ""  # What the name was taken as, where no list has it as it stands; '' otherwise
    # The name is a chip's, so that ids of its maker that no kernel drives are strays; not a product's, of which one
    # version may work and another not.
    chip: bool = False
    whole: bool = True  # Nothing in the name that may be a second device is left over
    listed: bool = False  # The name stands in a list, letter for letter


def match(texts: Iterable[str], kind: Kind) -> list[Matched]:
    """Find what names mean.

    Parameters
    ----------
    texts : iterable of str
        One device's name each, such as 'Intel Wireless-AC 8260'.
    kind : Kind
        Only devices of this kind are looked at, and such as no kind is known of.
    """
    return [_match(text, kind) for text in texts]


@lru_cache(maxsize=65_536)
def _match(text: str, kind: Kind) -> Matched:
    plain = bare(text)
    if found := _by_number(plain, kind):
        return found
    listed, vendor_named = _listed(text, kind)
    chip = bool(chip_makers(plain) or makers(plain, kind))
    if listed and vendor_named:
        return replace(_told(text, listed), listed=True, chip=chip)
    words = tokens(plain)
    asked = telling(words, kind)
    row = _traded(words, kind, makers(plain, kind))
    fitted = fit(index(kind), plain, words, kind)
    if listed:
        alike = fitted.entries if fitted.equal and fitted.models else ()
        traded = row.entries if row and row.words >= set(asked) else ()
        if not asked and len(listed) > 1:
            generic = f"{text!r} is a name of {len(listed)} ids and says no model: {_some(listed)}"
            return replace(_told(text, listed), exact=False, problem=generic)
        return replace(_told(text, (*listed, *traded, *alike)), chip=chip or bool(traded), listed=True)
    if row and not (fitted.entries and fitted.equal and len(fitted.models) > len(fitted.models & row.words)):
        vendors = {entry.vendor for entry in row.entries}
        both = [entry for entry in fitted.entries if not chip and fitted.equal and row.numbered]
        both = [entry for entry in both if entry.vendor not in vendors]
        rest = [word for word in asked if is_model(word) and word not in row.used]
        return replace(_told(text, (*row.entries, *both)), whole=not rest)
    if fitted.entries:
        problem = _told(text, fitted.entries)
        return replace(problem, taken=_taken(text, problem.entries) if fitted.loose else "", chip=chip)
    elsewhere, vendor_named = _listed(text, Kind.OTHER)
    if elsewhere and (asked or vendor_named):
        return replace(_told(text, elsewhere), listed=True, chip=chip)
    return _open(text, plain, asked, kind)


def _taken(text: str, entries: Sequence[ListedDevice]) -> str:
    return f"{text!r} is in no id list as it stands; taken as {_some(entries, names=True)}"


def _some(entries: Sequence[ListedDevice], names: bool = False) -> str:
    if names:
        shown = [f"{entry.name or entry.text} ({entry.text})" if entry.name else entry.text for entry in entries[:3]]
        return "; ".join(shown) + ("; …" if len(entries) > 3 else "")
    return few([entry.text for entry in entries], 6, ", …")


def _told(text: str, entries: Sequence[ListedDevice]) -> Matched:
    distinct = {(entry.bus, entry.vendor, entry.device, entry.subsystem): entry for entry in entries}
    whole = {key[:3] for key in distinct if key[3] is None}
    kept = tuple(sorted(
        (entry for key, entry in distinct.items() if key[3] is None or key[:3] not in whole),
        key=lambda entry: entry.text,
    ))  # fmt: skip
    return Matched(kept, f"{text!r} fits {len(kept)} ids: {_some(kept)}" if len(kept) > 1 else "")


def _by_number(text: str, kind: Kind) -> Matched | None:
    """A device that lspci names by its number, as an older list does not know it: 'Realtek ... Device b822'."""
    match = _NUMBERED.fullmatch(text)
    if match is None:
        return None
    device = int(match[2], 16)
    vendor = (match[1] or "").strip()
    if vendor:
        named = sorted(_vendors().get(vendor.lower(), ()))
        made = [(bus, number) for bus in ("pci", "usb") for number in sorted(makers(vendor, kind))
                if number in ids.load(bus).vendors]  # fmt: skip
        known = (
            [pair for pair in some if ids.load(pair[0]).index(pair[1], device) is not None] for some in (named, made)
        )
        listed = next((pairs for pairs in known if pairs), [])
        of_kind = [pair for pair in listed if ids.load(pair[0]).kind(pair[1], device) is kind]
        pairs = of_kind or listed or [pair for pair in (*named, *made) if pair[0] == "pci"][:1]
        entries = tuple(
            ListedDevice(bus, number, device, None, ids.load(bus).name(number, device)) for bus, number in pairs
        )
        return _told(text, entries) if entries else None
    entries = tuple(entry for entry in index(kind).entries if entry.bus == "pci" and entry.device == device)
    if not entries:
        return None
    problem = _told(text, entries)
    return replace(problem, taken=f"{text!r} says no maker; taken as {_some(problem.entries, names=True)}")


@cache
def _vendors() -> dict[str, set[tuple[str, int]]]:
    """Vendors by the name that a list gives them."""
    found: dict[str, set[tuple[str, int]]] = {}
    for bus in ("pci", "usb"):
        for number, name in ids.load(bus).vendors.items():
            found.setdefault(" ".join(name.lower().split()), set()).add((bus, number))
    return found


def _listed(text: str, kind: Kind) -> tuple[tuple[ListedDevice, ...], bool]:
    """Entries of which the text is the name, with the vendor's before it or not; and whether that was named in full."""
    plain: tuple[ListedDevice, ...] = ()
    whole: tuple[ListedDevice, ...] = ()
    for form in dict.fromkeys((undressed(text), unrevised(undressed(text)), bare(text))):
        words = form.lower().split(" ")
        for cut in range(min(len(words), _MOST_VENDOR_WORDS)):
            found = _named(" ".join(words[cut:]), kind)
            if not found:
                continue
            before = " ".join(words[:cut])
            if not cut:
                plain += found
            elif numbers := _vendors().get(before):
                whole += tuple(entry for entry in found if (entry.bus, entry.vendor) in numbers)
            elif all(word in NOISE or is_maker(word, kind) for word in tokens(before)):
                vendors = makers(before, kind)
                plain += tuple(entry for entry in found if entry.vendor in vendors)
        if plain or whole:
            return (*plain, *whole), not plain
    return (), False


def _named(name: str, kind: Kind) -> tuple[ListedDevice, ...]:
    """Entries of a kind with exactly this name; of one that another id has now, those of earlier lists of lspci too."""
    now = tuple(index(kind).entries[at] for at in index(kind).named.get(name, ()))
    former = _former(kind).get(name, ())
    return now + tuple(_entry(text, name) for text, printed in former if printed or not now)


@cache
def _former(kind: Kind) -> dict[str, list[tuple[str, bool]]]:
    """Ids of a kind by a name that an earlier list gave them, in lower case; and whether lspci printed it."""
    found: dict[str, list[tuple[str, bool]]] = {}
    for row in small_tables.rows("former_names"):
        [(bus, vendor, device)] = small_tables.ids_in(row["id"])
        if ids.load(bus).kind(vendor, device) is kind:
            found.setdefault(row["name"].lower(), []).append((row["id"], row["source"].startswith("pci.ids ")))
    return found


@cache
def index(kind: Kind) -> Index:
    """Entries of one kind, or of no known one, by name and by word."""
    lists = [ids.load(bus) for bus in ("pci", "usb")]
    entries = [entry for listed in lists for entry in listed.of_kind(kind)]
    if kind is Kind.WIRELESS:
        entries += [entry for listed in lists for entry in listed.subsystems]
    return Index(entries)


@dataclass(frozen=True)
class _Row:
    """A trade name or a card's label that the lists do not carry: its words, beginnings of words, and its ids."""

    words: frozenset[str]
    begins: tuple[str, ...]
    entries: tuple[ListedDevice, ...]
    used: frozenset[str] = frozenset()

    @property
    def numbered(self) -> bool:
        return bool(self.begins) or any(letter.isdigit() for word in self.words for letter in word)

    @property
    def weight(self) -> tuple[int, int]:
        return len(self.words) + len(self.begins), sum(map(len, (*self.words, *self.begins)))


@cache
def _rows(kind: Kind) -> tuple[dict[str, list[_Row]], dict[str, list[_Row]]]:
    """Rows of datasets/drivers/names.csv by one of their words, and by the first letters of a beginning."""
    by_word: dict[str, list[_Row]] = {}
    by_begin: dict[str, list[_Row]] = {}
    for row in small_tables.rows("names"):
        if row["kind"] != str(kind):
            continue
        plain = " ".join(word for word in row["words"].split() if not word.endswith("*"))
        begins = tuple(tokens(word.rstrip("*"))[-1] for word in row["words"].split() if word.endswith("*"))
        entries = tuple(_entry(text, row["words"]) for text in small_tables.parts(row["ids"]))
        made = _Row(frozenset(tokens(plain)), begins, entries)
        if begins:
            by_begin.setdefault(begins[0][:4], []).append(made)
        else:
            by_word.setdefault(max(sorted(made.words), key=len), []).append(made)
    return by_word, by_begin


def _entry(text: str, words: str) -> ListedDevice:
    [(bus, vendor, device)] = small_tables.ids_in(text)
    name = words.rstrip("*") if bus == "sdio" else ids.load(bus).name(vendor, device)
    return ListedDevice(bus, vendor, device, None, name)


def _traded(words: Sequence[str], kind: Kind, vendors: frozenset[int]) -> _Row | None:
    """The row of most words that a name holds; one without a number is for names without a model number only."""
    by_word, by_begin = _rows(kind)
    held = frozenset(words)
    modelled = any(is_model(word) for word in telling(words, kind))
    best: _Row | None = None
    # In the order of the name: of two rows that weigh alike the first counts.
    for word in dict.fromkeys(words):
        for row in (*by_word.get(word, ()), *by_begin.get(word[:4], ())):
            if not row.words <= held or (modelled and not row.numbered):
                continue
            begun = [w for begin in row.begins for w in held if w.startswith(begin)]
            if len(begun) < len(row.begins) or (vendors and not any(entry.vendor in vendors for entry in row.entries)):
                continue
            if best is None or row.weight > best.weight:
                best = replace(row, used=row.words | frozenset(begun))
    return best


@cache
def _pool(kind: Kind, vendors: frozenset[int]) -> dict[int, str]:
    """Names of makers' whole devices to compare a spelling with, without signs and in lower case; of all for none."""
    from rapidfuzz import utils

    entries = enumerate(index(kind).entries)
    kept = (
        (at, one)
        for at, one in entries
        if one.name and one.subsystem is None and (not vendors or one.vendor in vendors)
    )
    return {at: utils.default_process(one.name) for at, one in kept}


def _open(text: str, plain: str, asked: Sequence[str], kind: Kind) -> Matched:
    """Say why a name stays open; the nearest entries by spelling are shown, never taken."""
    if not asked:
        return Matched((), f"{text!r} names no model; give it, or its id (lspci -nn, lsusb)", False)
    from rapidfuzz import fuzz, process, utils

    pool = _pool(kind, makers(plain, kind))
    best = process.extract(utils.default_process(text), pool, scorer=fuzz.token_set_ratio, limit=5, score_cutoff=55)
    entries = tuple(index(kind).entries[at] for _, _, at in best)
    if not entries:
        return Matched((), f"{text!r} is in no id list; give its id, as lspci -nn or lsusb shows it", False)
    listed = "; ".join(f"{entry.text} {entry.name}" for entry in entries)
    return Matched(entries, f"{text!r} is in no id list; nearest: {listed}", False)
