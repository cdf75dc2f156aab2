"""Cells of an old log sheet as people write them: days, minutes, outcomes, editions. What is ambiguous is refused."""

from __future__ import annotations

import re
from datetime import date, timedelta
from enum import StrEnum
from functools import cache

from advisor.benchlog.jobs import EARLIEST, MOST_MIN
from advisor.errors import InputError
from advisor.intake.parsed import MISSING_WORDS, UNKNOWN, Parsed, squeeze
from advisor.shop import Edition
from advisor.tables import dicts


class Order(StrEnum):
    """In which order a date's numbers stand."""

    DMY = "dmy"
    MDY = "mdy"
    YMD = "ymd"


ORDER_WORDS = {Order.DMY: "day first", Order.MDY: "month first", Order.YMD: "year first"}

_DAY = "a day such as 2026-03-04 or 4 Mar 2026"
_TIME = "minutes such as 80, 80 min, 1h20 or 1:20"
_STOPWATCH = "a time such as 94, 94 s, 1:34 (minutes and seconds) or 1 min 34 s"
_OUTCOMES = "fine, slow, returned, or one of their usual words; empty for not checked"
_MONTHS = {
    name[:length]: number
    for number, name in enumerate(
        (
            "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
            "november", "december",
        ), start=1,
    )
    for length in (3, 4, len(name))
}  # fmt: skip
_CLOCK = re.compile(
    r"(?:[t ]|, )([0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?)(?:\.[0-9]+)?(?: ?([ap])\.?m\.?)?(?:z|[+-][0-9:]+)?"
)
_WEEKDAY = re.compile(r"(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,? ")
_NUMBERS = re.compile(r"([0-9]{1,4})([-/. ])([0-9]{1,2})\2([0-9]{1,4})\.?")
_NAMED = (
    re.compile(r"(?P<d>[0-9]{1,2})(?:st|nd|rd|th)?[-/. ,]*(?P<m>[a-z]{3,9})\.?[-/. ,]*'?(?P<y>[0-9]{4}|[0-9]{2})"),
    re.compile(r"(?P<m>[a-z]{3,9})\.?[-/. ]*(?P<d>[0-9]{1,2})(?:st|nd|rd|th)?[-/. ,]+'?(?P<y>[0-9]{4})"),
    re.compile(r"(?P<y>[0-9]{4})[-/. ](?P<m>[a-z]{3,9})[-/. ](?P<d>[0-9]{1,2})"),
)
_ABOUT = re.compile(r"(?:ca\.?|circa|c\.|approx\.?|approximately|about|around|~|≈) ?")
_HMS = re.compile(
    r"(?:([0-9]{1,2}) days?, )?([0-9]{1,4}):([0-9]{2})(?::([0-9]{2}))?(\.[0-9]{1,9})?( ?(?:h|hrs?|hours?))?"
)
_HOURS = re.compile(
    r"([0-9]{1,4}(?:[.,][0-9]{1,6})?) ?(?:h|hrs?|hours?|std)\.?,?"
    r"(?: ?(?:and|&|\+)? ?([0-9]{1,2}) ?(?:m|mins?|minutes?|')?\.?)?"
)
_MINUTES = re.compile(r"([0-9]{1,6}(?:[.,][0-9]{1,30})?) ?(?:m|mins?|minutes?|mn|')\.?")
_SECONDS = re.compile(
    r"(?:([0-9]{1,4}) ?(?:m|mins?|minutes?|mn|')\.?,? ?(?:and )?)?([0-9]{1,6}(?:[.,][0-9]{1,30})?)"
    r"( ?(?:s|secs?|seconds?|sek|\"|''))?\.?"
)
_BARE = re.compile(r"[0-9]{1,6}(?:[.,][0-9]{1,30})?(?:e-[0-9]{1,3})?")


def day(text: str, order: Order | None = None, today: date | None = None) -> Parsed:
    """Read a day.

    Parameters
    ----------
    text : str
        Year first, or with the month's name; a time of day behind it is left aside. Numbers that allow more than one
        day, as 03/04/2026 does, are refused unless the order is given.
    order : Order, optional
        Order of the numbers where the year does not stand first with four digits.
    today : datetime.date, optional
        A later day is refused; this day when left out.

    Returns
    -------
    Parsed
        ISO 8601 text.
    """
    words = squeeze(text)
    if words in MISSING_WORDS:
        return UNKNOWN
    words = _WEEKDAY.sub("", words, count=1) if _WEEKDAY.match(words) else words
    clock = _CLOCK.search(words)
    if clock and clock.end() == len(words):
        words = words[: clock.start()]
    if re.fullmatch(r"(?:19|20)[0-9]{6}", words):
        words = f"{words[:4]}-{words[4:6]}-{words[6:]}"
    found = _named(words)
    if found is None:
        match = _NUMBERS.fullmatch(words)
        if match is None:
            if re.fullmatch(r"[0-9]{5}(?:\.[0-9]+)?", words):
                return Parsed(None, "looks like a spreadsheet's own day number", "the column formatted as a date")
            return Parsed(None, "is no day", _DAY)
        readings = _readings(match[1], match[3], match[4])
        if order is not None and len(match[1]) < 3:
            readings = {name: one for name, one in readings.items() if name == order}
        days = {one for one in readings.values() if one is not None}
        if not days:
            return Parsed(None, f"is no day{f' with the {ORDER_WORDS[order]}' if order else ''}", _DAY)
        if len(days) > 1:
            possible = " or ".join(sorted(one.isoformat() for one in days))
            ways = ", ".join(f"--dates {name}" for name, one in readings.items() if one is not None)
            return Parsed(None, f"may be {possible}", f"{_DAY}; or say how the sheet writes dates: {ways}")
        found = days.pop()
    if found > (today or date.today()) + timedelta(days=1):
        return Parsed(None, "is a day that lies ahead", _DAY)
    return Parsed(found.isoformat())


def _named(words: str) -> date | None:
    for pattern in _NAMED:
        match = pattern.fullmatch(words)
        if match and match["m"] in _MONTHS:
            return _date(match["y"], str(_MONTHS[match["m"]]), match["d"])
    return None


def _readings(first: str, second: str, third: str) -> dict[str, date | None]:
    """What three numbers may mean; an order that gives no day is None."""
    if len(first) >= 3:
        return {"ymd": _date(first, second, third)}
    out = {"dmy": _date(third, second, first), "mdy": _date(third, first, second)}
    if len(third) <= 2:
        out["ymd"] = _date(first, second, third)
    return out


def _date(year: str, month: str, of_month: str) -> date | None:
    number = int(year) + (2000 if len(year) == 2 else 0)
    if len(year) not in (2, 4) or not EARLIEST.year <= number <= 2099:
        return None
    try:
        return date(number, int(month), int(of_month))
    except ValueError:
        return None


def clock(text: str) -> tuple[int | None, bool]:
    """Read a time of day, alone or behind a day; 9.30 is one where a time is asked for.

    Returns
    -------
    int or None
        Minutes since midnight [min]; None when there is none.
    bool
        Whether it stands alone.
    """
    words = " " + _colon(squeeze(text))
    match = _CLOCK.search(words)
    if match is None or match.end() != len(words):
        return None, False
    hour, minute = (int(one) for one in match[1].split(":")[:2])
    if match[2]:
        if not 1 <= hour <= 12:
            return None, False
        hour = hour % 12 + (12 if match[2] == "p" else 0)
    return (hour * 60 + minute, match.start() == 0) if hour < 24 and minute < 60 else (None, False)


def _colon(words: str) -> str:
    return re.sub(r"^([0-9]{1,2})[.h]([0-9]{2})(?=$| ?[ap]\.?m)", r"\1:\2", words)


def bare(text: str) -> float | None:
    """Read a number that states no unit.

    Returns
    -------
    float or None
        None when it is none, or states one.
    """
    words = _ABOUT.sub("", squeeze(text), count=1)
    return float(words.replace(",", ".")) if _BARE.fullmatch(words) and not re.search(r",[0-9]{3}$", words) else None


def minutes(text: str, unit: str = "") -> Parsed:
    """Read a time that something took.

    Parameters
    ----------
    text : str
        Such as 80 min, 1h20, 1:20 (hours and minutes), 1:20:00, 1.5 h, 94 s, 1 min 34 s.
    unit : str
        'min', 'h' or 's': what a number without a unit counts; '' when that is not known, and the number is refused.
        With 's' 1:34 is minutes and seconds, as a stopwatch shows them.

    Returns
    -------
    Parsed
        Minutes [min].
    """
    words = squeeze(text)
    if words in MISSING_WORDS:
        return UNKNOWN
    accepted = _STOPWATCH if unit == "s" else _TIME
    about = _ABOUT.match(words)
    words = words[about.end() :] if about else words
    note = "about; read as the figure itself" if about else ""
    if re.search(r"[0-9],[0-9]{3}(?![0-9])", words):
        return Parsed(None, "has a comma that may part thousands or decimals", accepted)
    if match := _HMS.fullmatch(words):
        return _by_colons(match, unit == "s", accepted, note)
    if match := _HOURS.fullmatch(words):
        if match[2] and (re.search("[.,]", match[1]) or int(match[2]) > 59):
            return Parsed(None, "is no time: whole hours and up to 59 minutes go together", accepted)
        return _believed(_number(match[1]) * 60 + int(match[2] or 0), note)
    if match := _MINUTES.fullmatch(words):
        return _believed(_number(match[1]), note)
    if (match := _SECONDS.fullmatch(words)) and (match[3] or (match[1] and unit == "s")):
        if match[1] and _number(match[2]) >= 60:
            return Parsed(None, "is no time: seconds beside minutes go up to 59", accepted)
        return _believed(int(match[1] or 0) + _number(match[2]) / 60, note)
    if _BARE.fullmatch(words):
        if not unit:
            return Parsed(None, "may be minutes or hours: neither header nor cell says", f"{_TIME}; or say --unit min")
        return _believed(_number(words) * {"h": 60, "s": 1 / 60}.get(unit, 1), note)
    if re.fullmatch(r"[0-9.,]+ ?(?:h|min|s)? ?(?:-|to|/) ?[0-9.,]+ ?(?:h|hrs?|m|mins?|minutes|s|secs?)?", words):
        return Parsed(None, "is a range, not one figure", accepted)
    return Parsed(None, "is no time that something took", accepted)


def _by_colons(match: re.Match[str], stopwatch: bool, accepted: str, note: str) -> Parsed:
    """Read 1:20, 1:20:00 or, off a stopwatch, 1:34.5."""
    days, hours, rest, seconds = (int(one or 0) for one in match.groups()[:4])
    part = float(match[5] or 0)
    if rest > 59 or seconds > 59:
        return Parsed(None, "is no time: minutes and seconds go up to 59", accepted)
    if match[4] is None and stopwatch and not match[6] and not match[1]:
        return _believed(hours + (rest + part) / 60, note)
    if match[4] is None and part:
        return Parsed(None, "is no time that something took", accepted)
    if match[4] is None and hours > 23:
        return Parsed(None, "may be hours and minutes, or minutes and seconds", accepted)
    return _believed(days * 1440 + hours * 60 + rest + (seconds + part) / 60, note)


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _believed(value: float, note: str) -> Parsed:
    if value > MOST_MIN:
        return Parsed(None, "is not believable", f"minutes from 0 to {MOST_MIN:.0f}")
    return Parsed(value, note=note)


@cache
def outcome_words() -> dict[str, str]:
    """Words for an outcome, each with its outcome."""
    return {row["word"]: row["outcome"] for row in dicts("benchlog/outcomes")}


def outcome(text: str) -> Parsed:
    """Read how a unit fared.

    Returns
    -------
    Parsed
        fine, slow or returned; None when it was not looked at.
    """
    words = squeeze(text).rstrip(".!")
    if words in MISSING_WORDS or words in ("not looked at", "not yet", "pending", "open"):
        return UNKNOWN
    found = outcome_words().get(words)
    if found is None:
        return Parsed(
            None, "is no outcome", f"{_OUTCOMES}; a column of something else is left aside with --column 'HEADER='"
        )
    return Parsed(found)


_EDITIONS = {word: one for one in Edition for word in one.lower().split()} | {"xfce4": Edition.XFCE}
"""Words by which a desktop is called: those of its name, and others."""


def edition(text: str) -> Parsed:
    """Read an edition's name.

    Returns
    -------
    Parsed
        The edition's own name when the cell names just one; else the cell as written, which is said.
    """
    tidy = " ".join(text.split())
    words = squeeze(text)
    if words in MISSING_WORDS:
        return UNKNOWN
    named = {_EDITIONS[word] for word in re.findall("[a-z0-9]+", words) if word in _EDITIONS}
    if len(named) != 1:
        return Parsed(tidy, note="no edition is known by this name; kept as written, and not learnt from")
    [found] = named
    plain = words in (found.lower(), *(word for word, one in _EDITIONS.items() if one == found))
    return Parsed(str(found), note="" if plain else f"read as {found}")


def read_minutes(text: str | None, what: str) -> float | None:
    """Minutes as a person types them into a box that counts minutes: 75, 1:15, 1h15; None for nothing typed [min].

    Raises
    ------
    InputError
        When it is no time; names the box and what is accepted.
    """
    found = minutes(text or "", "min")
    if found.problem:
        raise InputError(f"{what}: {text!r} {found.problem}.", f"Accepted: {found.accepted}.")
    return None if found.value is None else float(found.value)
