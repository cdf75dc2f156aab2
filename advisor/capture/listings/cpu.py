"""The processor and the memory in use: /proc/cpuinfo, `lscpu` in any language, /proc/meminfo and `free`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import Any

from advisor.capture import memory, processor
from advisor.capture.listings.kinds import KEYED, ListingKind, Section, keyed
from advisor.capture.machine import bytes_of, pairs, whole
from advisor.capture.machine_facts import MachineFacts, Memory
from advisor.tables import dicts

ONLY_32_BIT = "op-mode:32-bit"
"""Stands for the feature flags where lscpu shows none but says that there is no 64-bit mode."""

_FLAGS = re.compile(r"[a-z0-9_ ]+\Z")


def _flags_go_on(line: str, lines: list[str]) -> bool:
    """Whether a line is the rest of a broken line of flags."""
    if re.match(KEYED, line) or not _FLAGS.match(line.strip() or "-"):
        return False
    keys = [one.partition(":")[0].strip().casefold() for one in lines if ":" in one]
    return bool(keys) and keys[-1] in ("flags", "features")


@cache
def _telling() -> frozenset[str]:
    """Flags that decide the level."""
    from advisor.identify.level import FEATURES

    return frozenset().union(*FEATURES.values())


def _joined(lines: list[str], within_words: bool) -> list[str]:
    """Lines with their broken rests; a window breaks full lines, and those within words."""
    bare = [line.rstrip() for line in lines]
    full = max((len(line) for line, rest in pairwise(bare) if rest and ":" not in rest), default=0)
    out: list[str] = []
    for before, line in zip(["", *bare], bare, strict=False):
        if out and line and ":" not in line:
            word = out[-1].rsplit(" ", 1)[-1]
            parted = word + line.split(None, 1)[0] in _telling()
            parted = parted or (within_words and len(before) >= full and word not in _telling())
            out[-1] += ("" if parted else " ") + line.lstrip()
        else:
            out.append(line)
    return out


def read_cpuinfo(section: Section) -> MachineFacts:
    """Read /proc/cpuinfo, whole or some lines of it."""
    return MachineFacts(processor=processor.parse("\n".join(_joined(section.lines, within_words=False))))


CPUINFO = ListingKind(
    "/proc/cpuinfo",
    re.compile(r"\s{0,4}processor\s{0,8}: ?[0-9]{1,4}\s{0,4}\Z|\s{0,4}vendor_id\s{0,8}: ").match,
    lambda line, lines: keyed(line, lines) or _flags_go_on(line, lines),
    read_cpuinfo,
    loose=re.compile(r"\s{0,4}(?:model name|cpu family|model|stepping|siblings|cpu cores)\s{0,8}: ?\S").match,
)


@cache
def _words() -> dict[str, str]:
    return {row["word"].casefold(): row["meaning"] for row in dicts("capture/lscpu_words")}


def read_lscpu(section: Section) -> MachineFacts:
    """Read lscpu's plain listing."""
    return _lscpu(pairs(_joined(section.lines, within_words=True)))


@cache
def _lscpu_line(lead: str, *meanings: str) -> re.Pattern[str]:
    """A line of lscpu, in any language, under a word of one of these meanings."""
    named = {*meanings, *(row["word"] for row in dicts("capture/lscpu_words") if row["meaning"] in meanings)}
    return re.compile(rf"{lead}(?:{'|'.join(map(re.escape, sorted(named)))}) ?:\s{{1,60}}\S")


LSCPU = ListingKind(
    "lscpu", lambda line: _lscpu_line("", "Architecture").match(line[:300]),
    lambda line, lines: keyed(line, lines) or _flags_go_on(line, lines), read_lscpu,
    loose=lambda line: _lscpu_line(r"\s{0,8}", "Model name", "CPU op-mode(s)").match(line[:300]),
)  # fmt: skip


def read_lscpu_json(rows: Any) -> MachineFacts:
    """Read what stands under "lscpu" in `lscpu -J`: objects with "field", "data" and perhaps "children"."""
    fields: dict[str, str] = {}
    for row in _walk(rows):
        field, data = row.get("field"), row.get("data")
        if isinstance(field, str) and isinstance(data, str):
            fields.setdefault(" ".join(field.split()).removesuffix(":").rstrip(), data.strip())
    return _lscpu(fields)


def _walk(rows: Any) -> Iterator[dict[str, Any]]:
    """Objects of nested "children" lists, without recursion."""
    waiting, seen = [rows], 0
    while waiting and seen < 10_000:
        level = waiting.pop(0)
        for row in level if isinstance(level, list) else ():
            seen += 1
            if isinstance(row, dict):
                yield row
                waiting.append(row.get("children"))


def _lscpu(said: dict[str, str]) -> MachineFacts:
    """The processor of fields whose names are in any language."""
    fields: dict[str, str] = {}
    for key, value in said.items():
        fields.setdefault(_words().get(key.casefold(), key), value)
    modes = fields.get("CPU op-mode(s)", "")
    if "32" in modes and "64" not in modes and not fields.get("Flags"):
        fields["Flags"] = ONLY_32_BIT
    per_socket, sockets = whole(fields.get("Core(s) per socket")), whole(fields.get("Socket(s)"))
    cores = per_socket * sockets if per_socket and sockets else None
    return MachineFacts(processor=processor.of_fields(fields, cores, whole(fields.get("CPU(s)"))))


def read_meminfo(section: Section) -> MachineFacts:
    """Read /proc/meminfo."""
    return MachineFacts(memory=Memory(seen_kib=memory.parse_meminfo("\n".join(section.lines[:50]))))


MEMINFO = ListingKind("/proc/meminfo", re.compile(r"MemTotal:").match, keyed, read_meminfo)

_ROW = re.compile(r"\s{0,4}(?:Mem|Mem\.|Speicher|Geheugen|Memoria|Pamięć|Память|Пам'ять|内存|記憶體) ?:\s{1,40}(\S+)")


def read_free(section: Section) -> MachineFacts:
    """Read `free`: the total of the row of memory, in the unit that it or the command says, else the likely one."""
    for line in section.lines:
        row = _ROW.match(line)
        amount = bytes_of(row[1]) if row else None
        if row and amount is not None:
            asked = re.search(r" -{1,2}([bkmg])", section.command)
            # Numbers without a unit are KiB, unless no PC could have that little: common practice, no source.
            likely = "K" if amount >= 2**18 else "M" if amount > 192 else "G"
            if row[1][-1].isdigit():
                amount = bytes_of(row[1] + (asked[1] if asked else likely).upper()) or 0
            return MachineFacts(memory=Memory(seen_kib=amount // 1024 or None))
    return MachineFacts()


FREE = ListingKind(
    "free", re.compile(r"\s{2,30}\w{4,16}\.?\s{2,20}\w{3,16}\.?\s{2,20}\S{3,16}\s{2,20}\S.{4,80}\Z").match,
    lambda line, lines: len(lines) < 5 and bool(re.match(r"\s{0,4}\S{3,20}(?: \S{1,12})? ?:\s", line)), read_free,
    loose=_ROW.match,
)  # fmt: skip
