"""Find processor names in what people and firmware write."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

from advisor.tables import compiled, dicts


class NamedProcessor(NamedTuple):
    """One processor name found in a text."""

    line: str  # Short name of the product line, such as 'i5', 'core2', 'ryzen 5', 'xeon'
    # Model number without spaces and dashes, upper case except a trailing small letter; '' when none is given.
    number: str


@dataclass(frozen=True)
class ProcessorText:
    """What a text says of a processor."""

    named: tuple[NamedProcessor, ...] = ()  # Names found, in order, each once
    # Model numbers that stand without a line, such as '6300U'; filled only when no name has a number.
    bare: tuple[str, ...] = ()
    vendor: str = ""  # 'Intel', 'AMD', 'VIA' or ''
    generation: int = 0  # Generation of a Core processor as stated ("4th gen"); 0 when not stated
    clock_ghz: float = 0.0  # Clock as stated; 0.0 when not stated [GHz]
    foreign: str = ""  # Name of another kind of processor (such as an ARM one) that the text holds; '' when none
    sockets: int = 1  # Number of processors as stated ("2x Xeon ..."); 1 when not stated


_DASHES = str.maketrans(dict.fromkeys("‐‑‒–—−_", "-") | dict.fromkeys("\t\r\n\xa0®™\"'", " "))
_MARKS = re.compile(
    r"\((?:r|tm|c)\)|\bprocessors?\b|\bcpu\b|\bapu\b|\bsoc\b|\bgenuine\b|\bmobile technology\b"
    r"|\b(?:ulv|lv|ht)\b"
)
_SHORTHAND = re.compile(r"\bp4\b|\bp-?iii\b|\bp3\b")
_WILD = re.compile(r"(?<=[3579][\s-])(\d{1,2})xxx?[a-z]{0,2}\b")
_CORES = re.compile(
    r"\b(?:dual|two|triple|quad|four|six|eight|ten|twelve|sixteen|\d{1,3})[- ]?cores?\b(?! i\d)|\bdual(?= e\d| t\d)"
)
_SPACES = re.compile(r"\s{2,}")
_CLOCK = re.compile(r"(?:@\s*)?(?<![\d.])(\d{1,2}[.,]\d{1,3}|\d)\s*ghz|(?<![\d.])(\d{3,4})\s*mhz")
_GENERATION = re.compile(
    r"\b(\d{1,2})\s*(?:st|nd|rd|th)?[\s.-]*gen(?:eration)?\b|\bgen(?:eration)?[\s.:-]*(\d{1,2})\b"
    r"|\b(\d{1,2})(?:st|nd|rd|th)\b"
)
_SOCKETS = re.compile(r"(?:^|\s)(\d)\s*x\s+(?=\D)|\bdual\s+(?=xeon|intel xeon|opteron|epyc|amd opteron|amd epyc)")
_FOREIGN = re.compile(
    r"\b(snapdragon|mediatek|rockchip|exynos|tegra|cortex|raspberry|kirin|apple m\d|apple a\d+|powerpc|ppc|"
    r"sparc|arm|aarch64|riscv|risc-v|allwinner|sq[123]|kompanio)\b"
)

# A number must not run on into more letters, nor be a size, a clock or a screen.
_END = r"(?![\w+])"
_NOT = r"(?!\d+(?:[.,]\d+)?\s*(?:gb|gib|gig|tb|mb|mib|mhz|ghz|rpm|w|x\s?\d+)\b|\d{1,3}\s*g\b)"


class _NameRule(NamedTuple):
    """One row of the table of names."""

    word: str
    pattern: str
    line: str
    lines: list[list[str]]
    loose: bool

    def within(self, plain: str) -> Iterator[tuple[re.Match[str], str, str]]:
        """Where a plain text holds such a name: the match, the line's short name, and the number ('' for none)."""
        if self.word[0] not in plain or (len(self.word) > 2 and self.word.split()[0] not in plain):
            return
        for match in compiled(self.pattern).finditer(plain):
            group = match.groupdict("")
            told = (group.get("d", ""), group.get("x", ""))
            line = next((line for word, line in self.lines if word in told), self.line.format(told[0]).strip())
            yield match, line, group.get("n") or group.get("m") or ""


@cache
def _rules() -> list[_NameRule]:
    return [
        _NameRule(
            row["word"],
            row["pattern"].replace("<END>", _END).replace("<NOT>", _NOT),
            row["line"],
            [entry.split("=") for entry in row["lines"].split(";") if entry],
            row["loose"] == "yes",
        )
        for row in dicts("identify/name_rules")
    ]


_BARE = re.compile(
    r"(?<![a-z0-9.+])(?:[a-z]{1,2}-?\d{3,4}[a-z]{0,2}|\d{3,5}(?:[a-z]{1,2}|n?g\d|x3d)|\dy\d\d"
    r"|e[357]-?\d{4}[lwma]{0,2}(?:\s*v\d)?"
    r"|e-2[12]\d\d[gm]?|w-\d{4,5}m?|n(?:50|95|97|100|150|200|250|300|305|350|355))(?![\w+])"
)
_SIZE = re.compile(r"\d+(?:gb|g|tb|mb|gib|rpm|mhz|w|hz|ddr|dd|p|k|th|nd|st|rd|px|in|mm|cm|m2|kb|ssd|hdd)$")


def clean(text: str) -> str:
    """Bring a processor text to one plain form: small letters, no trade marks, single spaces."""
    text = text.lower().translate(_DASHES)
    text = _MARKS.sub(" ", text.replace("(tm)", " ").replace("(r)", " "))
    text = _SHORTHAND.sub(lambda found: "pentium 4" if "4" in found[0] else "pentium iii", text)
    return _SPACES.sub(" ", text).strip()


_NUMBER_JUNK = re.compile(r"[\s\-]+")


def number(text: str, line: str = "") -> str:
    """Bring a model number to the form used as key: upper case, no spaces, no dashes.

    Parameters
    ----------
    line : str, optional
        Short name of the line; the ' 0' that marks the first version of a Xeon number becomes 'V1', as does the
        spelling 'E31230' that only the first version has.
    """
    plain = _NUMBER_JUNK.sub("", text).upper()
    if line == "xeon" and plain[:2] in ("E3", "E5", "E7") and "V" not in plain:
        first = re.fullmatch(r"(E[357]\d{4}[LWMA]{0,2})0", plain)
        if first:
            return f"{first[1]}V1"
        if re.fullmatch(r"\s*e3\d{4}\w*\s*", text, re.I):
            return f"{plain}V1"
    return plain


_SPACED = re.compile(r"\((?:r|tm|c)\)|\b(?:processors?|cpu|apu|soc|genuine)\b", re.I)


def locate(text: str) -> list[tuple[int, int, NamedProcessor]]:
    """Find where processor names stand in a longer text, such as a cell that holds model, processor and memory.

    Returns
    -------
    list of (int, int, Named)
        Start, end and name, in order; only names with line and number, as a bare number may be the machine's.
    """
    plain = _SPACED.sub(lambda m: " " * len(m[0]), text[:400].lower().translate(_DASHES))
    if len(plain) != len(text[:400]):
        return []
    found: list[tuple[int, int, NamedProcessor]] = []
    for rule in _rules():
        for match, line, raw in () if rule.loose else rule.within(plain):
            if raw and not any(match.start() < b and a < match.end() for a, b, _ in found):
                found.append((match.start(), match.end(), NamedProcessor(line, number(raw, line))))
    return sorted(found)


def read_name(text: str) -> ProcessorText:
    """Read a processor text such as 'Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz', 'i5 6300u', 'Core i5 (4th gen)'."""
    plain = clean(text[:400])
    clock = 0.0
    found = _CLOCK.search(plain)
    if found:
        clock = float(found[1].replace(",", ".")) if found[1] else float(found[2]) / 1000
        plain = _CLOCK.sub(" ", plain)
    sockets = 1
    many = _SOCKETS.search(plain)
    if many:
        sockets = int(many[1]) if many[1] else 2
    plain = _SPACES.sub(" ", _CORES.sub(" ", plain)).strip()
    generation = 0
    gen = _GENERATION.search(plain) or _WILD.search(plain)
    if gen:
        generation = int(next(group for group in gen.groups() if group))
        plain = _SPACES.sub(" ", plain[: gen.start()].rstrip("( ") + " " + plain[gen.end() :].lstrip(") ")).strip()

    named: list[NamedProcessor] = []
    taken: list[tuple[int, int]] = []
    for rule in _rules():
        for match, line, raw in rule.within(plain):
            start, end = match.span()
            if start == end or any(start < b and a < end for a, b in taken):
                continue
            taken.append((start, end))
            named.append(NamedProcessor(line, number(raw, line)))
    vendor = "Intel" if "intel" in plain else "AMD" if "amd" in plain or "radeon" in plain else ""
    if not vendor and "via" in plain.split():
        vendor = "VIA"
    bare: tuple[str, ...] = ()
    foreign = ""
    if not named:
        hit = _FOREIGN.search(plain)
        foreign = hit[0] if hit else ""
    if not any(name.number for name in named):
        bare = tuple(
            dict.fromkeys(number(m[0]) for m in _BARE.finditer(plain) if not _SIZE.match(m[0]))
        )  # fmt: skip
    return ProcessorText(tuple(dict.fromkeys(named)), bare, vendor, generation, clock, foreign, sockets)
