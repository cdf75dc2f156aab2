"""Closed sets, shares, rates and yes-or-no as people write them, and the parser of each field."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache

from advisor.intake.device_ids import devices
from advisor.intake.memory import in_thousands, memory, memory_type
from advisor.intake.parsed import MISSING_WORDS, NONE_WORDS, UNKNOWN, Parsed, meant, of_cell, squeeze, words
from advisor.unit import DTYPES, MEASURES, BootMode, FormFactor, StorageMode, Unit, choices

_ACCEPT_FORM = "one of " + ", ".join(FormFactor)


@of_cell
def form_factor(plain: str) -> Parsed:
    """Read a kind of box, such as 'notebook', 'SFF', 'AiO', as a `FormFactor`."""
    plain = plain.strip(" .()")
    if plain in MISSING_WORDS or plain in NONE_WORDS:
        return UNKNOWN
    plain = plain.removesuffix(" pc") if plain.startswith(("notebook", "laptop", "tablet")) else plain
    if form := meant("form_factor", plain):
        return Parsed(FormFactor(form))
    within = {
        FormFactor(form)
        for pattern, form in words("form_factor")
        if re.search(rf"(?<!\w)(?:{pattern.pattern})(?!\w)", plain)
    }
    if within == {FormFactor.DESKTOP, FormFactor.SMALL_DESKTOP}:
        within = {FormFactor.SMALL_DESKTOP}
    if len(within) == 1:
        return Parsed(within.pop())
    if len(within) > 1:
        return Parsed(None, f"may be {' or '.join(sorted(within))}", _ACCEPT_FORM)
    return Parsed(None, "no kind of box is recognised", _ACCEPT_FORM)


@of_cell
def boot_mode(plain: str) -> Parsed:
    """Read what the firmware boots, such as 'UEFI', 'legacy', 'CSM', 'efi32', as a `BootMode`."""
    if plain in NONE_WORDS:
        return UNKNOWN
    mode, _, said = (meant("boot_mode", plain) or "open: no boot mode is recognised").partition(": ")
    if mode == "open":
        return Parsed(None, said, "'UEFI', '32-bit UEFI' or 'legacy BIOS'")
    return Parsed(BootMode(mode), note=said)


@of_cell
def storage_mode(plain: str) -> Parsed:
    """Read the mode of the storage controller, such as 'AHCI', 'RAID', 'RST', as a `StorageMode`."""
    if mode := mode_said(plain)[0] or meant("storage_mode", plain):
        return Parsed(StorageMode(mode))
    return Parsed(None, "no controller mode is recognised", "one of " + ", ".join(StorageMode))


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


@of_cell
def yes_no(plain: str) -> Parsed:
    """Read yes or no as a bool."""
    if said := meant("yes or no", plain):
        return Parsed(said == "yes")
    return Parsed(None, "neither yes nor no", "yes or no")


@of_cell
def soldered(plain: str) -> Parsed:
    """Read whether all memory is soldered, as a bool; 'partly' means that it is not all."""
    if said := meant("soldered", plain):
        return Parsed(said == "yes")
    parsed = yes_no(plain)
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


@of_cell
def share(plain: str, highest: float = 100.0, worn: bool = False) -> Parsed:
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
    accepted = f"a percentage from 0 to {highest:.0f}, such as 85 or '85%'"
    if plain in NONE_WORDS or meant("no battery", plain):
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


@of_cell
def battery(plain: str, highest: float = 150.0, worn: bool = False) -> Parsed:
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
    if meant("dead battery", plain):
        return Parsed(0.0, note=f"{plain!r} taken as 0 %: it holds no charge", also=also)
    return share(plain, highest, worn)._replace(also=also)


_COUNT = re.compile(
    r"(\d{1,5})(?:[.,]0+)?(?:\s*(?:free|open|empty|spare|available|slots?|cycles?|frei|libres?|slots? free|free "
    r"slots?|x))*(?:\s*(?:of|von|sur|\(of)\s*\d\)?(?: slots?)?)?"
)


@of_cell
def count(plain: str, highest: int = 128, what: str = "a whole number") -> Parsed:
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
    if said := "0" if plain in NONE_WORDS else meant("number", plain):
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
    factor = meant(unit, stated) if stated else "1"
    if match is None or factor is None:
        return Parsed(None, "no number with a unit of this kind is recognised", _ACCEPT_RATE[unit])
    digits = match[1].replace(" ", "").replace("'", "").replace(",", ".")
    number, thousands = float(digits) * float(factor), in_thousands(digits)
    if unit != "ms" and thousands and number * 1000 <= highest:
        # A point or comma before three digits parts thousands in one language, and a fraction in another.
        if not digits.endswith("000"):
            return Parsed(None, f"{match[1]} may be {digits} or {thousands:.0f}", _ACCEPT_RATE[unit])
        number *= 1000
    if not 0 < number <= highest:
        return Parsed(None, f"{match[1]} is outside what is possible", _ACCEPT_RATE[unit])
    return Parsed(round(number, 6))


TEXT_FIELDS = frozenset(name for name, dtype in DTYPES.items() if dtype == "string" and not choices(name)) - {
    "devices", "ram_type"
}  # fmt: skip
"""Fields that are kept as the text they are."""

_RATES = {"Mbit/s": "mbps", "MiB/s": "mib/s", "ms": "ms"}
"""Measures of speeds and times, as the table of words has them."""

_COUNTED = {
    "ram_slots_free": "a number of free slots", "ram_slots": "a number of slots",
    "battery_cycles": "a number of cycles", "cpu_family": "a family", "cpu_model": "a model number",
    "cpu_stepping": "a stepping", "cpu_cores": "a number of cores", "cpu_threads": "a number of threads",
}  # fmt: skip
"""What is accepted in a cell of whole numbers, for the message."""

_OTHERS: dict[str, Callable[[str], Parsed]] = {
    "form_factor": form_factor,
    "boot_mode": boot_mode,
    "storage_mode": storage_mode,
    "ram_soldered": soldered,
    "ram_type": memory_type,
    "devices": devices,
}


def parser(field: str, unit: str = "", header: str = "") -> Callable[[str], Parsed]:
    """The parser, from a text to a `Parsed`, of the cells of a field (no plain text, no storage_kind or storage_gib);
    `unit` and `header` are what the header states: under 'wear' a share says what is gone.
    """
    most = next((float(limit.le) for limit in Unit.model_fields[field].metadata if hasattr(limit, "le")), 0.0)
    worn = "wear" in header.lower()
    if kind := _RATES.get(MEASURES[field]):
        return lambda text: rate(text, kind, most)
    if DTYPES[field] == "Int64":
        return lambda text: count(text, int(most), _COUNTED.get(field, "a whole number"))
    if MEASURES[field] == "GiB":
        return lambda text: memory(text, unit)
    if MEASURES[field] == "%":
        read = battery if field == "battery_health_pct" else share
        return lambda text: read(text, most, worn)
    return _OTHERS.get(field, yes_no) if DTYPES[field] == "boolean" else _OTHERS[field]
