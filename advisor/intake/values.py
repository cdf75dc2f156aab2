"""Closed sets, shares, rates and yes-or-no as people write them."""

from __future__ import annotations

import re
from functools import cache, lru_cache

from advisor.intake.parsed import MISSING_WORDS, NONE_WORDS, UNKNOWN, Parsed, squeeze
from advisor.tables import compiled, dicts
from advisor.unit import BootMode, FormFactor, StorageMode


@cache
def _words(use: str) -> list[tuple[re.Pattern[str], str]]:
    """Rows of the table of words for one use: the expression, and what it means."""
    return [(compiled(row["pattern"]), row["meaning"]) for row in dicts("intake/words") if row["use"] == use]


def _meant(use: str, plain: str) -> str | None:
    """What a whole text means by the table of words, None when it is none of them."""
    return next((meaning for pattern, meaning in _words(use) if pattern.fullmatch(plain)), None)


_ACCEPT_FORM = "one of " + ", ".join(FormFactor)


@lru_cache(maxsize=50_000)
def form_factor(text: str) -> Parsed:
    """Read a kind of box, such as 'notebook', 'SFF', 'AiO', as a `FormFactor`."""
    plain = squeeze(text).strip(" .()")
    if plain in MISSING_WORDS or plain in NONE_WORDS:
        return UNKNOWN
    plain = plain.removesuffix(" pc") if plain.startswith(("notebook", "laptop", "tablet")) else plain
    if form := _meant("form_factor", plain):
        return Parsed(FormFactor(form))
    within = {
        FormFactor(form)
        for pattern, form in _words("form_factor")
        if re.search(rf"(?<!\w)(?:{pattern.pattern})(?!\w)", plain)
    }
    if within == {FormFactor.DESKTOP, FormFactor.SMALL_DESKTOP}:
        within = {FormFactor.SMALL_DESKTOP}
    if len(within) == 1:
        return Parsed(within.pop())
    if len(within) > 1:
        return Parsed(None, f"may be {' or '.join(sorted(within))}", _ACCEPT_FORM)
    return Parsed(None, "no kind of box is recognised", _ACCEPT_FORM)


_ACCEPT_BOOT = "'UEFI', '32-bit UEFI' or 'legacy BIOS'"


@lru_cache(maxsize=50_000)
def boot_mode(text: str) -> Parsed:
    """Read what the firmware boots, such as 'UEFI', 'legacy', 'CSM', 'efi32', as a `BootMode`."""
    plain = squeeze(text)
    if plain in MISSING_WORDS or plain in NONE_WORDS:
        return UNKNOWN
    efi = bool(re.search(r"efi", plain))
    legacy = bool(re.search(r"legacy|\bcsm\b|\bmbr\b|\bbios\b|non-?\s?uefi", plain))
    if re.search(r"\bno(?:n|t)?[\s-]*u?efi\b|ohne u?efi", plain):
        return Parsed(BootMode.BIOS)
    if re.search(r"\b(?:no csm|csm off|csm disabled|no legacy|uefi only)\b", plain):
        return Parsed(BootMode.UEFI64)
    if efi and re.search(r"32|ia32|i386", plain) and "64" not in plain:
        return Parsed(BootMode.UEFI32)
    if efi and legacy and "bios" in plain and not re.search(r"legacy|csm|mbr|/|\+|,| or | and |both", plain):
        return Parsed(BootMode.UEFI64, note="taken as 64-bit UEFI; write '32-bit UEFI' when it is that")
    if efi and legacy:
        return Parsed(BootMode.UEFI64, note="both are offered: taken as 64-bit UEFI")
    if efi or plain in ("gpt", "both", "u"):
        if plain in ("both", "gpt"):
            width = "says nothing about the firmware's width"
            return Parsed(None, width if plain == "both" else "names a disk's table, not the firmware", _ACCEPT_BOOT)
        if "64" in plain:
            return Parsed(BootMode.UEFI64)
        return Parsed(BootMode.UEFI64, note="taken as 64-bit UEFI; write '32-bit UEFI' when it is that")
    if legacy:
        return Parsed(BootMode.BIOS)
    return Parsed(None, "no boot mode is recognised", _ACCEPT_BOOT)


_ACCEPT_MODE = "one of " + ", ".join(StorageMode)


@lru_cache(maxsize=10_000)
def storage_mode(text: str) -> Parsed:
    """Read the mode of the storage controller, such as 'AHCI', 'RAID', 'RST', as a `StorageMode`."""
    plain = squeeze(text)
    if plain in MISSING_WORDS:
        return UNKNOWN
    mode, _ = mode_said(plain)
    for pattern, other in ((r"nvme", StorageMode.NVME), (r"\bide\b|pata|legacy|compatib", StorageMode.IDE)):
        mode = other if mode is None and re.search(pattern, plain) else mode
    return Parsed(mode) if mode else Parsed(None, "no controller mode is recognised", _ACCEPT_MODE)


_MODE_WORDS = re.compile(
    r"(?:(?P<ahci>\bahci\b)|(?P<vmd>\bvmd\b)|\braid\b(?:[\s-]*[015]\b)?|\b(?:intel )?rst\b(?: premium)?"
    r"|\brapid storage\b|\boptane (?:memory )?mode\b)(?:\s*(?:mode|on\b|enabled|active))*"
)
_WISHED = re.compile(r"\b(?:needs?|must|has to|have to|to be|should|please|want\w*)\b[^.;]*\bahci\b")
_DENIED_BEFORE = re.compile(r"\b(?:no|not|non|without|from|was|maybe|possibly|perhaps)\b[\s-]*(?:in |on |set to |a )?$")
_DENIED_BEHIND = re.compile(r"\s*(?:[:=]\s*)?(?:is )?(?:off\b|disabled|no\b|removed|\?)")


def mode_said(plain: str) -> tuple[StorageMode | None, str]:
    """The storage controller's mode as a squeezed text says it (None for nothing, off or doubt), and the rest of it."""
    if not any(word in plain for word in ("ahci", "raid", "vmd", "rst", "rapid", "optane")):
        return None, plain
    wished = bool(_WISHED.search(plain))
    said = set()
    for match in _MODE_WORDS.finditer(plain):
        denied = _DENIED_BEFORE.search(plain[: match.start()]) or _DENIED_BEHIND.match(plain, match.end())
        if match["ahci"]:
            said |= set() if wished or denied else {StorageMode.AHCI}
        elif wished or not denied:
            said.add(StorageMode.VMD if match["vmd"] else StorageMode.RAID)
    mode = next((one for one in (StorageMode.AHCI, StorageMode.VMD, StorageMode.RAID) if one in said), None)
    return mode, _MODE_WORDS.sub(" ", plain) if mode else plain


@lru_cache(maxsize=10_000)
def yes_no(text: str) -> Parsed:
    """Read yes or no as a bool."""
    plain = squeeze(text)
    if plain in MISSING_WORDS:
        return UNKNOWN
    if said := _meant("yes or no", plain):
        return Parsed(said == "yes")
    return Parsed(None, "neither yes nor no", "yes or no")


@lru_cache(maxsize=10_000)
def soldered(text: str) -> Parsed:
    """Read whether all memory is soldered; 'partly' means that it is not all.

    Returns
    -------
    Parsed
        A bool.
    """
    if said := _meant("soldered", squeeze(text)):
        return Parsed(said == "yes")
    parsed = yes_no(text)
    return parsed if not parsed.problem else parsed._replace(accepted="yes, no, soldered, socketed or partly")


_NUMBER = re.compile(
    r"[~≈<>≤≥=]*\s*(?:ca\.?|approx\.?|about)?\s*([+-]?\d*[.,]?\d+)\s*(%|pct|percent|prozent|per cent|pour cent)?\+?"
)
_APPROXIMATE = re.compile(r"[~≈<>≤≥+]|ca\.?\s|approx|about")
_WORN = re.compile(r"\b(?:wear|worn|used)\b")
_CYCLES = re.compile(r"\b(\d{1,5})\s*(?:x\s*)?cyc(?:les?|s|\.)?(?![a-z])|\bcycles?(?: count)?\s*:?\s*(\d{1,5})\b")
_ENERGY = re.compile(r"(\d[\d.,]*)\s*(?:m?wh|m?ah)?\s*(?:/|of|out of|von)\s*(\d[\d.,]*)\s*(m?wh|m?ah)\b")
_PERCENT = re.compile(r"(?<![\d.,-])(\d{1,3}(?:[.,]\d+)?)\s*(?:%|pct\b|percent|prozent|per cent|pour cent)")
_NAMED = re.compile(r"\b(?:of design(?: capacity)?|design|capacity|health|battery|charge|left)\b")
_EMPTY = re.compile(
    r"(?:completely |totally |battery |cell )*(?:dead|doa|flat|does ?n.?t hold(?: a)? charge|no charge|kaputt)"
)
_GONE = re.compile(r"(?:no|without|ohne) (?:battery|akku|disk)|battery (?:removed|missing)|removed|pulled|missing")


@lru_cache(maxsize=50_000)
def share(text: str, highest: float = 100.0, worn: bool = False) -> Parsed:
    """Read a percentage, such as '85%', '85,5 %', '~80'.

    Parameters
    ----------
    highest : float
        Highest value accepted [%].
    worn : bool
        The header says that it is the share that is worn.

    Returns
    -------
    Parsed
        A number of percent.
    """
    plain = squeeze(text)
    accepted = f"a percentage from 0 to {highest:.0f}, such as 85 or '85%'"
    if plain in MISSING_WORDS:
        return UNKNOWN
    if plain in NONE_WORDS or _GONE.fullmatch(plain):
        return Parsed(None, note="there is none, so it has no health")
    match, unread = _NUMBER.fullmatch(plain), ""
    if not match:
        percents = list(_PERCENT.finditer(plain))
        if len(percents) != 1 or re.search(r"\d\s*-\s*$", plain[: percents[0].start()]):
            return Parsed(None, "no percentage is recognised", accepted)
        match = _NUMBER.fullmatch(percents[0][0])
        assert match is not None
        rest = _NAMED.sub(" ", _WORN.sub(" ", plain[: percents[0].start()] + " " + plain[percents[0].end() :]))
        unread = " ".join(re.split(r"[\s,;:()]+", rest)).strip()
    number = float(match[1].replace(",", "."))
    notes = ["an approximate value, taken as it stands" if _APPROXIMATE.search(plain) else ""]
    notes.append(f"not read: {unread[:60]}" if unread else "")
    if not match[2] and 0 < abs(number) <= 1:
        if number < 1 and ("." in match[1] or "," in match[1]):
            return Parsed(round(number * 100, 4), note="a fraction, read as a share of one")
        return Parsed(None, f"{match[1]} without a percent sign may be {match[1]} % or all", accepted)
    if not 0 <= number <= highest:
        return Parsed(None, f"{match[1]} is outside 0 to {highest:.0f} %", accepted)
    if (worn or _WORN.search(plain)) and number <= 100:
        number = 100 - number
        notes.append(f"{match[1]} % is wear or used up: {number:g} % is left")
    return Parsed(number, note="; ".join(filter(None, notes)))


@lru_cache(maxsize=50_000)
def battery(text: str, highest: float = 150.0, worn: bool = False) -> Parsed:
    """Read a battery's health, such as '85%', '40 of 50 Wh', 'dead'.

    Parameters
    ----------
    highest, worn
        As of `share`.

    Returns
    -------
    Parsed
        Capacity of what it was designed for [%]; beside it battery_cycles where the cell says them.
    """
    plain = squeeze(text)
    also: tuple[tuple[str, int], ...] = ()
    cycles = list(_CYCLES.finditer(plain))
    if len(cycles) == 1:
        also = (("battery_cycles", int(cycles[0][1] or cycles[0][2])),)
        plain = _CYCLES.sub(" ", plain).strip(" ,;")
        if not plain:
            return Parsed(None, note="cycles alone; the health is not said", also=also)
    energy = _ENERGY.search(plain)
    if energy:
        full, design = (float(re.sub(r"[.,](?=\d{3}\b)", "", one).replace(",", ".")) for one in energy.group(1, 2))
        if design > 0 and full <= 1.5 * design:
            return Parsed(round(100 * full / design, 2), note=f"{full:g} of {design:g} {energy[3].title()}", also=also)
    if _EMPTY.fullmatch(plain):
        return Parsed(0.0, note=f"{plain!r} taken as 0 %: it holds no charge", also=also)
    return share(plain, highest, worn)._replace(also=also)


_COUNT = re.compile(
    r"(\d{1,5})(?:[.,]0+)?(?:\s*(?:free|open|empty|spare|available|slots?|cycles?|frei|libres?|slots? free|free "
    r"slots?|x))*(?:\s*(?:of|von|sur|\(of)\s*\d\)?(?: slots?)?)?"
)


@lru_cache(maxsize=20_000)
def count(text: str, highest: int = 128, what: str = "a whole number") -> Parsed:
    """Read a whole number, such as '1', '1 free', 'none', 'full'.

    Parameters
    ----------
    highest : int
        Highest value accepted.
    what : str
        For the message.

    Returns
    -------
    Parsed
        An int.
    """
    plain = squeeze(text)
    if plain in MISSING_WORDS:
        return UNKNOWN
    if said := "0" if plain in NONE_WORDS else _meant("number", plain):
        return Parsed(int(said))
    accepted = f"{what} from 0 to {highest}"
    match = _COUNT.fullmatch(plain)
    if not match:
        return Parsed(None, "no whole number is recognised", accepted)
    number = int(match[1])
    if number > highest:
        return Parsed(None, f"{number} is more than {highest}", accepted)
    return Parsed(number)


_RATE = re.compile(r"[~≈]?\s*(\d{1,3}(?:[ ']\d{3})+|\d+(?:[.,]\d+)?)\s*([a-zµμ]+(?:\s*/\s*[a-z]+)?|)")
_ACCEPT_RATE = {
    "mbps": "a speed such as 50 or '1 Gbit/s'",
    "mib/s": "a speed such as 120 or '500 MB/s'",
    "ms": "a time such as 12 or '0,1 ms'",
}


@lru_cache(maxsize=50_000)
def rate(text: str, unit: str, highest: float) -> Parsed:
    """Read a speed or a time, with or without its unit.

    Parameters
    ----------
    text : str
        Such as '50', '100 Mbit/s', '1 Gbps', '12 ms', '520 MB/s'.
    unit : str
        Unit of the result and of bare numbers: 'mbps', 'mib/s' or 'ms'.
    highest : float
        Highest value accepted.

    Returns
    -------
    Parsed
        A number in `unit`.
    """
    plain = squeeze(text)
    if plain in MISSING_WORDS or plain in NONE_WORDS:
        return UNKNOWN
    match = _RATE.fullmatch(plain)
    stated = (match[2] or "").replace(" ", "") if match else ""
    # On a link a small b is a bit, as in 'Mb/s'; everywhere else both letters are bytes.
    if unit == "mbps" and stated in ("mb/s", "gb/s") and not re.search(r"[MG]B/s", text):
        stated = stated.replace("b/s", "bit/s")
    factor = _meant(unit, stated) if stated else "1"
    if match is None or factor is None:
        return Parsed(None, "no number with a unit of this kind is recognised", _ACCEPT_RATE[unit])
    digits = match[1].replace(" ", "").replace("'", "")
    number = float(digits.replace(",", ".")) * float(factor)
    if not 0 < number <= highest:
        return Parsed(None, f"{match[1]} is outside what is possible", _ACCEPT_RATE[unit])
    return Parsed(round(number, 6))
