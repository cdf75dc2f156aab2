"""Disks as people write them.

Rules: a number without a unit counts in GB of 10^9 byte, as labels on disks do, and so does 'GB'; results are in GiB. A
unit stated by the header ("storage_gib", "Disk (TB)") holds for the bare numbers below it, save that a label's size
(240, 256, 500 ...) is in GB even under a header that says GiB, as no disk holds a round number of GiB.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import NamedTuple

from advisor.intake.memory import NUMBER, in_thousands, to_float
from advisor.intake.parsed import A_DATE, MISSING_WORDS, NONE_WORDS, UNKNOWN, Parsed, meant, squeeze, without, words
from advisor.intake.values import mode_said
from advisor.tables import load
from advisor.unit import StorageKind

GB_IN_GIB = 1e9 / 2**30
"""One GB of 10^9 byte [GiB]."""

DISK_MAX_GIB = 1_048_576.0
_ACCEPT_DISK = "a disk such as '240 GB SSD', '1 TB HDD', '256 NVMe', '64GB eMMC' or 'none'"


class DiskCell(NamedTuple):
    """One disk as a cell states it."""

    gib: float | None
    kind: StorageKind | None
    cache: bool = False
    solid: bool = False
    bus_said: bool = False
    doubt: str = ""
    several: bool = False
    kind_doubt: str = ""


class Disks(NamedTuple):
    """All that one cell says of disks; the disk chosen as the install target first."""

    kind: Parsed
    size: Parsed

    @property
    def outcome(self) -> Parsed:
        """Problems and notes of kind and size as one."""
        kind, size = self
        if kind.problem == size.problem:
            return Parsed(None, kind.problem, kind.accepted, kind.note)
        problem, note = ("; ".join(filter(None, two)) for two in ((kind.problem, size.problem), (kind.note, size.note)))
        return Parsed(None, problem, kind.accepted or size.accepted, note)

    def with_size_asked(self) -> Disks:
        """Raise a missing size as a problem; for cells that are meant to give it."""
        known = self.size.value is not None or self.size.problem or self.kind.value is None
        return self if known else self._replace(size=Parsed(None, "no size is given", _ACCEPT_DISK))


NO_DISK = Disks(Parsed(StorageKind.NONE), Parsed(0.0))


_DISK_SIZE = re.compile(
    rf"(?<![a-z0-9.,])(?:(?P<count>\d)\s*(?:x|\*)\s*)?(?P<size>{NUMBER})\s*(?P<unit>(?:gibibytes?|gigabytes?"
    rf"|gbytes?|gigs?|gib"
    rf"|gb|go|g|tebibytes?|terabytes?|terr?as?|tib|tb|to|t|mib|mb|mo)(?![a-z0-9]))?"
)
_RPM = re.compile(r"\b(?:4200|5200|5400|5900|7200|10000|10k|15000|15k|7\.2k|5\.4k)\s*(?:rpm|u/min|upm|tr/min)?\b")
_M2 = re.compile(r"\bm\.?2\b")
_SATA = re.compile(r"\bm?sata(?:\s?(?:[123]|i{1,3}))?\b|\bsas\b|2[.,]5|3[.,]5")
_TINY_GB = 32.0
_KIND = r"(?:ssd|hdd|nvme|emmc|sshd)"
_SIZE_OR_KIND = re.compile(rf"(?<![a-z0-9.,])\d+(?:[.,]\d+)?\s*(?:gb|tb|gib|tib|gig|(?={_KIND}))|(?P<kind>{_KIND})")
_LANES = re.compile(r"\bx\s?\d\b|\b22(?:30|42|60|80)\b")
"""PCIe lanes, and lengths of M.2 cards [mm]."""
_HEALTH = re.compile(
    r"(?:\b(?:health|life|smart)\b\s*:?\s*)?(?<![\d.])(?P<share>\d{1,3})\s?%\s*(?P<worn>used|worn|wear)?"
    r"(?:\s*(?:health|life|left|good|ok))*"
)
SSD_SIZES = frozenset({120, 128, 240, 256, 480, 512})
"""Sizes that solid-state disks are sold in [GB]; as spinning disks they were rare, save 120."""


def no_disk(plain: str) -> bool:
    """Tell whether a text, as `squeeze` gives it, says that there is no disk."""
    return plain in NONE_WORDS or meant("no disk", plain) is not None


@lru_cache(maxsize=400_000)
def disks(text: str, header_unit: str = "", hint: str = "") -> Disks:
    """Read one or several disks.

    Parameters
    ----------
    text : str
        Such as '240 SSD', '1TB + 240 ssd', 'NVMe 256', '500gb 7200rpm', '128GB eMMC', 'none'.
    header_unit : str, optional
        Unit that the header states for bare numbers: 'gib', 'gb', 'tb', 'mb'.
    hint : str, optional
        Kind that the header states: 'ssd', 'hdd' or 'nvme'.

    Returns
    -------
    Disks
        Kind and size [GiB] of the disk that the system goes on: a solid-state one when there is one of 32 GB or more.
    """
    plain = squeeze(text)
    if plain in MISSING_WORDS:
        return Disks(UNKNOWN, UNKNOWN)
    if meant("date", plain):
        failed = Parsed(None, A_DATE, _ACCEPT_DISK)
        return Disks(failed, failed)
    if re.match(r"-\s?\d", plain):
        failed = Parsed(None, "a disk of less than nothing", _ACCEPT_DISK)
        return Disks(failed, failed)
    if no_disk(plain):
        return NO_DISK
    also: list[tuple[str, object]] = []
    health = list(_HEALTH.finditer(plain))
    if len(health) == 1 and int(health[0]["share"]) <= 100:
        share = float(health[0]["share"])
        also.append(("storage_health_pct", 100.0 - share if health[0]["worn"] else share))
        plain = _HEALTH.sub(" ", plain).strip()
    mode, plain = mode_said(plain)
    if mode is not None:
        also.append(("storage_mode", str(mode)))
    parts = [
        part
        for part in re.split(
            r"\s*(?:\+|&|;|\band\b|\bund\b|\bet\b|,(?!\d)|,(?=\d{2,4}\s*(?:gb|tb|ssd|hdd))|/(?!s)|\bplus\b|\n)\s*",
            plain,
        )
        if part
    ]
    parts = [piece for part in parts for piece in _torn(part)]
    found: list[DiskCell] = []
    unread: list[str] = []
    for part in parts:
        disk, rest = _disk(part, header_unit, hint)
        if disk is None:
            unread.append(part)
            continue
        found.append(disk)
        if rest:
            unread.append(rest)
    found = _joined(found)
    if not found:
        failed = Parsed(None, "no disk is recognised", _ACCEPT_DISK)
        return Disks(failed, failed)
    kind, size = _chosen(found, unread)
    return Disks(kind._replace(also=tuple(also)), size)


def _torn(part: str) -> list[str]:
    """Take apart disks that stand side by side, such as '128GB SSD 1TB HDD' and 'SSD 128 HDD 500'."""
    marks = list(_SIZE_OR_KIND.finditer(part))
    sizes = [mark.start() for mark in marks if not mark["kind"]]
    kinds = [mark.start() for mark in marks if mark["kind"]]
    if len(sizes) < 2 and len(kinds) > 1 and kinds[0] == 0 and len(re.findall(r"(?<![a-z.])\d+", part)) > 1:
        return [part[start:end] for start, end in zip(kinds, [*kinds[1:], len(part)], strict=True)]
    if len(sizes) < 2:
        return [part]
    kind_first = bool(marks[0]["kind"])
    cuts = [mark.start() for mark in marks if bool(mark["kind"]) == kind_first][1:]
    return [part[start:end] for start, end in zip([0, *cuts], [*cuts, len(part)], strict=True)]


def _disk(part: str, header_unit: str, hint: str) -> tuple[DiskCell | None, str]:
    """Read one disk; what could not be read of its text comes back beside it."""
    rest, cache = part, False
    kind: StorageKind | None = None
    family = _family(rest)
    if family:
        rest = family[0].sub(" ", rest)
    for pattern, meaning in words("disk"):
        if pattern.search(rest):
            rest = pattern.sub(" ", rest)
            if kind is None and not cache:
                cache = meaning == "cache"
                kind = None if cache else StorageKind(meaning)
    sata = bool(_SATA.search(part))
    if family and (kind is None or (kind is StorageKind.SATA_SSD and not sata)):
        kind, sata = family[1], True
    m2 = bool(_M2.search(rest))
    rest = _SATA.sub(" ", _M2.sub(" ", rest))
    if _RPM.search(rest) and (re.search(r"rpm|u/min|upm|tr/min|\dk", rest) or len(_DISK_SIZE.findall(rest)) > 1):
        rest = _RPM.sub(" ", rest)
        kind = kind or StorageKind.HDD
    gib, doubt, many, rest = _size(_LANES.sub(" ", rest), header_unit)
    rest = " ".join(without("beside a disk", rest).split()).strip(" .,:()[]-x\"'*")
    kind_doubt = ""
    if kind is None and hint and not cache:
        kind = {"ssd": StorageKind.SATA_SSD, "hdd": StorageKind.HDD, "nvme": StorageKind.NVME}[hint]
        if hint == "hdd" and gib is not None and round(gib / GB_IN_GIB) in SSD_SIZES:
            kind, kind_doubt = None, f"the header says HDD, but {_gb(gib)} is the size of an SSD"
    if kind is None and gib is None and not m2 and not cache and not doubt:
        return None, part
    solid = kind in (StorageKind.NVME, StorageKind.SATA_SSD, StorageKind.EMMC) or m2
    if m2 and kind is None:
        kind = StorageKind.SATA_SSD
    return DiskCell(gib, kind, cache, solid, sata, doubt, many, kind_doubt), rest


def _size(rest: str, header_unit: str) -> tuple[float | None, str, bool, str]:
    """Size of one disk [GiB], the doubt about it, whether there are several of it, and the text without it."""
    sizes = list(_DISK_SIZE.finditer(rest))
    size = next((match for match in sizes if match["unit"]), sizes[0] if len(sizes) == 1 else None)
    labels = [match for match in sizes if to_float(match["size"]) in LABEL_SIZES]
    if size is None and len(labels) == 1:
        size = labels[0]
    if size is None:
        return None, "several numbers, none with a unit" if sizes else "", False, rest
    number, thousands, unit = to_float(size["size"]), in_thousands(size["size"]), size["unit"] or ""
    # 1.000 GB is a disk of 1 TB; none holds a few GB to the thousandth.
    if thousands and (unit[:1] == "m" or (unit[:1] == "g" and thousands in LABEL_SIZES)):
        number = thousands
    gib = _disk_gib(number, unit, header_unit)
    doubt = f"{size['size']} without a unit may be GB or TB" if gib is None else ""
    many = (size["count"] or "1") not in ("0", "1")
    return gib, doubt, many, rest[: size.start()] + " " + rest[size.end() :]


@cache
def _families() -> tuple[re.Pattern[str], list[tuple[re.Pattern[str], StorageKind]]]:
    """Families of disks that people name without saying the kind: any of them, and each with its kind."""
    rows = load("intake/drives").frame
    pattern = r"(?<![a-z0-9])(?:{})(?![a-z0-9])"
    each = [
        (re.compile(pattern.format(family)), StorageKind(str(kind)))
        for family, kind in zip(rows["pattern"], rows["kind"], strict=True)
    ]
    return re.compile(pattern.format("|".join(rows["pattern"]))), each


def _family(text: str) -> tuple[re.Pattern[str], StorageKind] | None:
    """The family of disks that a text names."""
    some, each = _families()
    return next((one for one in each if one[0].search(text)), None) if some.search(text) else None


LABEL_SIZES = frozenset(
    {16, 24, 30, 32, 40, 60, 64, 80, 100, 120, 128, 160, 180, 200, 240, 250, 256, 300, 320, 400, 480, 500, 512,
    600, 640, 750, 800, 960,
     1000, 1024, 1500, 1920, 2000, 2048, 3000, 3840, 4000, 4096, 5000, 6000, 8000}
)  # fmt: skip
"""Sizes on disks' labels [GB]. No disk holds a round number of GiB: a bare 240 under 'storage_gib' is a "
"label's 240 GB."""


def with_unit(text: str, header_unit: str) -> str:
    """Write the header's unit behind a bare number; a label's size under a header that says GiB gets 'gb'."""
    bare = re.fullmatch(r"\d+(?:[.,]\d+)?", text)
    if not bare or not header_unit:
        return text
    label = header_unit == "gib" and to_float(text) in LABEL_SIZES
    return f"{text} {'gb' if label else header_unit}"


def _disk_gib(size: float, unit: str, header_unit: str) -> float | None:
    if not unit and header_unit in ("gib", "gb") and size in LABEL_SIZES:
        return size * GB_IN_GIB
    unit = unit or header_unit
    if not unit:
        return None if size < 16 else size * GB_IN_GIB
    binary = "i" in unit[:3] and unit[:4] not in ("giga", "gigs", "gig")
    step = {"g": 1.0, "t": 1000.0, "m": 0.001}[unit[0]]
    if binary:
        return size * {"g": 1.0, "t": 1024.0, "m": 1 / 1024}[unit[0]]
    return size * step * GB_IN_GIB


def _joined(found: list[DiskCell]) -> list[DiskCell]:
    """Join '240' and 'ssd' that a separator tore apart."""
    if len(found) == 2 and {found[0].gib is None, found[1].gib is None} == {True, False}:
        with_size, without = (found[1], found[0]) if found[0].gib is None else (found[0], found[1])
        if with_size.kind is None and not with_size.solid:
            return [without._replace(gib=with_size.gib, bus_said=with_size.bus_said or without.bus_said)]
    return found


def _gb(gib: float | None) -> str:
    if gib is None:
        return "size unknown"
    size = gib / GB_IN_GIB
    return f"{size / 1000:.3g} TB" if size >= 999.5 else f"{size:.4g} GB"


def _describe(disk: DiskCell) -> str:
    kind = "cache" if disk.cache else str(disk.kind) if disk.kind else "solid state" if disk.solid else "kind unknown"
    return f"{_gb(disk.gib)} {kind}"


def _chosen(found: list[DiskCell], unread: list[str]) -> Disks:
    """Choose the install target among the disks, and say what was chosen over what."""

    def worth(disk: DiskCell) -> tuple[bool, int, float]:
        roomy = disk.gib is None or disk.gib >= _TINY_GB * GB_IN_GIB * 0.98
        order = {StorageKind.NVME: 6, StorageKind.SATA_SSD: 5, None: 1, StorageKind.EMMC: 4, StorageKind.HYBRID: 3,
                 StorageKind.HDD: 2, StorageKind.USB: 0, StorageKind.NONE: -1}  # fmt: skip
        rank = 5 if disk.kind is None and disk.solid else order[disk.kind]
        return not disk.cache and roomy and disk.kind is not StorageKind.USB, rank, disk.gib or 0.0

    best = max(found, key=worth)
    notes = []
    if len(found) > 1:
        others = ", ".join(_describe(disk) for disk in found if disk is not best)
        notes.append(
            f"several disks: {_describe(best)} taken as the one to install on, beside {others or 'an equal one'}"
        )
    if best.kind is StorageKind.SATA_SSD and not best.bus_said:
        notes.append("solid state without a word about its bus: taken as SATA; write NVMe when it is one")
    if best.several:
        notes.append("several disks of one size: one of them taken as the one to install on")
    size = Parsed(None if best.gib is None else round(best.gib, 2))
    if best.gib is not None and best.gib > DISK_MAX_GIB:
        size = Parsed(None, f"{_gb(best.gib)} is no size that a disk has", _ACCEPT_DISK)
    elif best.gib is not None and best.gib <= 0:
        size = Parsed(None, "a disk of no size", _ACCEPT_DISK)
    elif best.gib is None and best.doubt:
        size = Parsed(None, best.doubt, _ACCEPT_DISK)
    problem = ""
    if best.cache:
        problem = "only a cache module is named, not the disk behind it"
    elif best.kind is None:
        problem = best.kind_doubt or "the kind of disk is not said"
    if unread:
        note = f"not read: {'; '.join(unread)[:80]}"
        notes.append(note)
    kind = Parsed(None if best.cache else best.kind, problem, _ACCEPT_DISK if problem else "", "; ".join(notes))
    return Disks(kind, size)
