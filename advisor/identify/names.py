"""Find processor names in what people and firmware write."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NamedTuple

from advisor.tables import compiled


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


def _rule(key: str, pattern: str) -> tuple[str, str]:
    return key, pattern.replace("<END>", _END).replace("<NOT>", _NOT)


# Each: a word that must be in the text, the expression, and how its groups make the line. Groups: 'n' the
# number, 'd' the digit or word of the line.
_RULES: tuple[tuple[str, str], ...] = (
    _rule("ultra", r"\bultra[\s-]*(?P<d>x?[3579])\b[\s-]*(?:pro\s)?(?:<NOT>(?P<n>\d{3}[a-z]{0,2})<END>)?"),
    _rule(
        "i",
        r"(?:\bcore\s*)?(?<![a-z0-9])i\s?-?\s?(?P<d>[3579])(?![.,]\d)(?:(?=[\s\-:(/,;]|$)[\s\-:]*"
        r"|(?=\d{3,5}[a-z]{0,3}))"
        r"(?:<NOT>(?P<n>[mqulxks][\s-]?\d{3}<END>|\d{4,5}[\s-]?(?:hq|mq|hk|u|m|t|k|s|h|p|y)<END>(?!\w)"
        r"|\d{3}[\s-]?(?:qm|um|lm|xm|m)<END>|\dy\d\d<END>|n3\d\d<END>|l1\dg\d<END>|\d{4}[\s-]?n?g\de?<END>"
        r"|\d{3,5}[a-z]{0,3}<END>))?",
    ),
    _rule("core", r"\bcore\s*m[\s-]*(?P<n>5y\d\d[ac]?)<END>"),
    _rule("m", r"(?:\bcore\s*)?\bm[\s-]?(?P<d>[357])(?=[\s-]|$)[\s-]*(?P<n>\dy\d\d|8100y)<END>"),
    _rule("m", r"\bcore\s*m[\s-]?(?P<d>[357])(?![\w-])"),
    _rule(
        "2",
        r"(?:\bcore[\s-]*2\b|\bcore2(?=\s|duo|quad|$|-)|\bc2(?=[dqe]\b))[\s-]*(?P<d>duo|quad|extreme|solo"
        r"|[dqe]\b)?[\s-]*(?:extreme\s*)?"
        r"(?:<NOT>(?P<n>(?:[a-z]{1,2}[\s-]?)?\d{4}[a-z]?)<END>)?",
    ),
    _rule("core", r"\bcore\s+(?P<d>[3579])\s+(?P<n>\d{3}[a-z]{1,2})<END>"),
    _rule("core", r"\bcore\s*(?P<d>duo|solo)\b[\s-]*(?:<NOT>(?P<n>[tlu]\s?\d{4}e?)<END>)?"),
    _rule(
        "pentium",
        r"\bpentium\s*(?P<d>iii xeon|m(?=\s|-|$)|4(?=\s|-|$|/|,)|iv\b|d(?=\s|-|$)|iii\b|ii\b|3(?=\s|$)|gold|silver|dual"
        r"|extreme)?[\s-]*"
        r"(?:<NOT>(?P<n>(?:[a-z]{1,2}[\s-]?)?\d{3,4}[a-z]{0,2})<END>)?",
    ),
    _rule(
        "celeron",
        r"\bceleron\s*(?P<d>m(?=\s|-|$)|d(?=\s|-"
        r"|$))?[\s-]*(?:<NOT>(?P<n>(?:[a-z]{1,2}[\s-]?)?\d{3,4}[a-z]{0,2})<END>)?",
    ),
    _rule(
        "atom",
        r"\batom\s*(?:x[357](?=[\s-]))?[\s-]*(?:<NOT>(?P<n>(?:[a-z]{1,2}[\s-]?)?\d{3,4}[a-z]{0,2}"
        r"|x[67]\d{3}[a-z]{1,3})<END>)?",
    ),
    _rule(
        "xeon",
        r"\bxeon\s*(?P<d>gold|silver|bronze"
        r"|platinum)?[\s-]*(?:<NOT>(?P<n>e[357][\s-]*\d{4}[lwma]{0,2}(?:\s*0)?(?:\s*-?v\s?\d)?"
        r"|e[\s-]?2[123]\d\d[gm]?|w[\s-]?\d{4}[px]?|w[\s-]?1\d{4}m(?:[rl]e)?|d[\s-]?\d{4}[a-z]{0,2}|[elxw]\s?\d{4}"
        r"|\d{4}[a-z]{0,2})<END>)?",
    ),
    _rule("e", r"(?<![a-z0-9-])(?P<n>e(?P<x>[357])[\s-]\d{4}[lwma]{0,2}(?:\s0\b)?(?:\s*-?v\s?\d)?)<END>"),
    _rule("threadripper", r"\b(?:ryzen\s*)?threadripper\b\s*(?:pro\s*)?(?:(?P<n>\d{4}(?:wx|x)?)<END>)?"),
    _rule("ryzen ai", r"\bryzen\s*ai\s*(?P<d>max\+?|[3579])?\s*(?:pro\s*)?(?P<n>(?:hx\s*)?\d{3})<END>"),
    _rule("ryzen z", r"\bryzen\s*(?P<n>z\d(?:\s*extreme)?)<END>"),
    _rule("ryzen e", r"\bryzen\s*embedded\s*(?P<n>[rv]\d{4}[a-z]?)<END>"),
    _rule(
        "ryzen",
        r"\bryzen(?=[\s\d-]|$)\s*-?\s*(?P<d>[3579])?(?![\d.])(?:\s*-?\s*(?:pro|mobile))?[\s-]*(?:<NOT>(?P<n>\d{4}(?:x3d"
        r"|[\s-]?[a-z]{1,2}|)|2[2-7]0)<END>)?",
    ),
    _rule("r", r"(?<![a-z0-9])r(?P<d>[3579])[\s-]*(?:pro[\s-]*)?<NOT>(?P<n>\d{4}(?:x3d|[a-z]{0,2}))<END>"),
    _rule("epyc", r"\bepyc\b\s*(?:(?P<n>\d[\da-z]\d\d[a-z]?|[a-z]\d{3})<END>)?"),
    _rule(
        "athlon",
        r"\bathlon\b(?:\s*(?:pro|neo|mobile))*\s*(?P<d>xp|mp|64|ii|silver|gold|fx)?(?:\s*(?:pro|neo|mobile|dual"
        r"|-m))*\s*(?P<x>x[234])?"
        r"(?:\s*(?:pro|neo|mobile))*[\s-]*(?:<NOT>(?P<n>\d{4}\s?\+|\d{2,4}[a-z]{0,2}"
        r"|[a-z]{1,2}[\s-]?\d{2,4}[a-z]?)(?![\w]))?",
    ),
    _rule("phenom", r"\bphenom\b\s*(?P<d>ii)?\s*(?:x[2346])?[\s-]*(?:<NOT>(?P<n>[bnpx]?\d{2,4}[a-z]{0,2})<END>)?"),
    _rule(
        "turion",
        r"\bturion\b(?:\s*(?:64|ii|ultra|neo|x2|dual|mobile))*[\s-]*(?:<NOT>(?P<n>(?:ml|mt|mk|tl|rm"
        r"|zm)[\s-]?\d\d|[mpnk]\d{3}|n\d\dl)<END>)?",
    ),
    _rule(
        "sempron",
        r"\bsempron\b(?:\s*(?:64|mobile|x2))*[\s-]*(?:<NOT>(?P<n>\d{4}\s?\+|\d{3,4}[a-z]?"
        r"|[a-z]{1,2}[\s-]?\d{2,4})(?![\w]))?",
    ),
    _rule("x", r"(?<![a-z0-9])(?:ii\s*)?x(?P<d>[2346])[\s-]+<NOT>(?P<n>b\d\d[ae]?|\d{4}\s?\+|\d{3,4}[a-z]?)(?![\w])"),
    _rule("duron", r"\bduron\b\s*(?P<n>\d{3,4})?"),
    _rule("fx", r"\bfx[\s-]*(?:<NOT>(?P<n>\d{4}[a-z]?)<END>)?(?<=\d|[a-z])"),
    _rule(
        "a",
        r"(?<![a-z0-9])a(?P<d>4|6|8|9|10|12)(?P<x>[\s-]*micro)?(?:[\s-]*pro)?[\s-]*<NOT>(?P<n>\d{4}[a-z]{0,2})<END>",
    ),
    _rule("a", r"\bamd (?:pro )?a(?P<d>4|6|8|9|10|12)(?![\w-])"),
    _rule("opteron", r"\bopteron\b\s*(?P<n>x?\d{3,4}(?:\s?[a-z]{2})?)?<END>"),
    _rule("e", r"(?<![a-z0-9])e(?P<d>[12])[\s-]*<NOT>(?P<n>\d{4}[a-z]?)<END>"),
    _rule("e", r"(?<![a-z0-9])e-(?P<n>\d{3}d?)<END>|\bamd e\s?(?P<m>240|300|350d?|450)<END>"),
    _rule("c", r"(?<![a-z0-9])c-(?P<n>[3-7]0)<END>|\bamd c\s?(?P<m>[3-7]0)<END>"),
    _rule("z", r"(?<![a-z0-9])z-(?P<n>01|60)<END>"),
    _rule("g", r"(?<![a-z0-9])g(?P<n>x-?\d{3}[a-z]{2}|-?t\d\d[a-z])<END>"),
    _rule("v1", r"(?:^|\bamd )(?P<n>v1[0246][05])<END>"),
    _rule("intel", r"\bintel (?P<n>u?300[te]?|n(?:50|95|97|[123][05]0|35[05]))$"),
    _rule("custom", r"\bcustom\s*(?P<n>0405|0932)<END>"),
    _rule("30", r"(?<![a-z0-9])(?P<n>30(?:15|20)c?e)<END>"),
    _rule("via", r"\bvia\b\s*(?P<d>c7|nano|eden)(?:-[md])?"),
)

_BARE = re.compile(
    r"(?<![a-z0-9.+])(?:[a-z]{1,2}-?\d{3,4}[a-z]{0,2}|\d{3,5}(?:[a-z]{1,2}|n?g\d|x3d)|\dy\d\d"
    r"|e[357]-?\d{4}[lwma]{0,2}(?:\s*v\d)?"
    r"|e-2[12]\d\d[gm]?|w-\d{4,5}m?|n(?:50|95|97|100|150|200|250|300|305|350|355))(?![\w+])"
)
_SIZE = re.compile(r"\d+(?:gb|g|tb|mb|gib|rpm|mhz|w|hz|ddr|dd|p|k|th|nd|st|rd|px|in|mm|cm|m2|kb|ssd|hdd)$")
_CORE2_WORDS = {"quad": "quad", "q": "quad", "extreme": "extreme", "e": "extreme"}


def clean(text: str) -> str:
    """Bring a processor text to one plain form: small letters, no trade marks, single spaces."""
    text = text.lower().translate(_DASHES)
    text = _MARKS.sub(" ", text.replace("(tm)", " ").replace("(r)", " "))
    text = _SHORTHAND.sub(lambda found: "pentium 4" if "4" in found[0] else "pentium iii", text)
    return _SPACES.sub(" ", text).strip()


def _line(key: str, match: re.Match[str]) -> str:
    """Short name of the line for one match."""
    group = match.groupdict()
    digit, extra = group.get("d") or "", group.get("x") or ""
    if key == "i":
        return f"i{digit}"
    if key == "core":
        return {"": "m", "duo": "core1", "solo": "core1"}.get(digit, f"core {digit}")
    if key in ("m", "ryzen", "r", "ultra", "ryzen ai"):
        prefix = {"m": "m", "r": "ryzen ", "ultra": "core ultra "}.get(key, f"{key} ")
        return f"{prefix}{digit}".strip()
    if key == "pentium":
        return {"m": "pentium m", "4": "pentium 4", "iv": "pentium 4", "d": "pentium d", "iii": "pentium iii",
        "iii xeon": "pentium iii",
                "3": "pentium iii", "ii": "pentium ii"}.get(digit, "pentium")  # fmt: skip
    if key == "celeron":
        return f"celeron {digit}".strip()
    if key == "xeon":
        return "xeon scalable" if digit else "xeon"
    if key == "athlon":
        if digit in ("xp", "mp"):
            return "athlon xp"
        if digit == "ii":
            return "athlon ii"
        if extra == "x4":
            return "athlon x4"
        if extra == "x2":
            return "athlon x2"
        return "athlon 64" if digit in ("64", "fx") else "athlon"
    if key == "phenom":
        return f"phenom {digit}".strip()
    if key == "x":
        return f"x{digit}"
    if key == "a":
        return f"a{digit}{' micro' if extra else ''}"
    if key == "e" and extra:
        return "xeon"
    if key == "e" and digit:
        return f"e{digit}"
    if key == "via":
        return f"via {digit}"
    if key == "2":
        hint = _CORE2_WORDS.get(digit, "")
        return f"core2 {hint}".strip()
    return {"v1": "v", "30": "3000", "ryzen e": "ryzen embedded", "custom": "custom apu"}.get(key, key)


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
_LOOSE = frozenset({"c", "z", "e", "v1", "30", "via", "duron", "opteron", "intel", "custom"})


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
    for key, pattern in _RULES:
        if key in _LOOSE or key[0] not in plain or (len(key) > 2 and key.split()[0] not in plain):
            continue
        for match in compiled(pattern).finditer(plain):
            raw = match.groupdict().get("n") or ""
            if not raw or any(match.start() < b and a < match.end() for a, b, _ in found):
                continue
            line = _line(key, match)
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
    for key, pattern in _RULES:
        if key[0] not in plain or (len(key) > 2 and key.split()[0] not in plain):
            continue
        for match in compiled(pattern).finditer(plain):
            start, end = match.span()
            if start == end or any(start < b and a < end for a, b in taken):
                continue
            group = match.groupdict()
            line = _line(key, match)
            raw = group.get("n") or group.get("m") or ""
            name = NamedProcessor(line, number(raw, line))
            taken.append((start, end))
            if name not in named:
                named.append(name)
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
    return ProcessorText(tuple(named), bare, vendor, generation, clock, foreign, sockets)
