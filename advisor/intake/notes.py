"""What people write in notes that decides: passwords, damage, missing parts, doubts about ownership.

Each sentence of a note is tried by itself, so that 'screen fine, keyboard broken' damages no screen; what is denied
('no liquid damage', 'password removed') does not hold, and what is doubted ('maybe a BIOS password?') holds the unit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd

from advisor.columns import texts, typed
from advisor.tables import damaged, dicts
from advisor.unit import Advice, worst_first

CONDITION_COLUMNS = ("row", "code", "severity", "effect", "title", "reason", "action", "source", "rules_out")

EFFECTS = (Advice.SET_ASIDE, Advice.HOLD, "none")

_GAP = r"(?:\W+(?!(?:not|no|never|isn.?t|wasn.?t|ok|okay|fine|good|without)\b)\w+(?:['/-]\w+)*){0,2}?\W+"
_SHORTHAND = {
    "<GAP>": _GAP,
    "<BAD>": (
        r"(?:broken?|crack(?:ed|s)?|smash\w*|shatter\w*|damag\w*|fault\w*|dead|dying|bad|defect\w*|gone|fail\w*|flaky"
        r"|iffy|erratic|intermittent\w*|bust(?:ed)?|snapped|torn|stuck|stick(?:s|y|ing)|knackered|kaputt|temperamental"
        r"|worn|loose|stiff|wobbly|weak|jump(?:s|y)|dont work|doesnt work"
        r"|(?:not|isn.?t|barely|hardly|never|no longer) (?:work\w*|respond\w*|ok|good)"
        r"|(?:do|does) ?(?:n.?t|not) (?:work|respond|function)|not (?:detected|found|recogni[sz]ed|seen)"
        r"|needs? (?:to be )?(?:replac\w*|repair\w*|fix\w*|new|swap\w*|clean\w*))"
    ),
    "<OUT>": (
        r"(?:removed|missing|taken(?: out)?|pulled|gone|absent|stripped|out"
        r"|not (?:included|fitted|present|there|supplied))"
    ),
}
"""Stand for words that many patterns share: up to two words between, none of which denies; is broken; is not there."""

_SHOWN = 80

_LIST = re.compile(
    r"\b(no|without|w/o)((?: [\w'/-]+)+(?:, ?[\w'/-]+(?: [\w'/-]+)?)*),? (?:or|nor|and no) (?=[\w'/-]+)", re.I
)
_SENTENCE = re.compile(r"[.;!\n]+(?=\s|$)|\n|;|!|\s\|\s")
_PART = re.compile(
    r",|\bbut\b|\bhowever\b|\bexcept\b|\bthough\b|\s(?:-|/|&|\+)\s|(?<=\w)\s+(?=(?:no|without|w/o)\s)", re.I
)
_DOUBT = re.compile(
    r"\b(?:maybe|may|might|possibl[ey]|perhaps|not (?:quite )?sure|unsure|uncertain|could (?:be|have)|suspect\w*"
    r"|i think|seems?|seemingly|looks? like|apparently|probabl[ey]|likely|prob|check (?:if|for|whether)|unclear"
    r"|not clear|supposed\w*|said to)\b|\?",
    re.I,
)
_DENIED_BEFORE = re.compile(
    r"(?:\b(?:no|not|never|none|nor|neither|without|w/o|free of|isn.?t|wasn.?t|aren.?t|hasn.?t|had no|kein\w*|ohne)"
    r"(?:\s+(?:any|a|the|signs?|traces?|evidence|been|longer|have|having|had|is|on|of|visible|obvious|known|be|show\w*)"
    r"\b)*"
    r"(?:\s+(?!just|only|needs?|but)[\w'/-]+){0,2}"
    r"|\b(?:removed|released|taken out|un-?enroll?ed) (?:from|of)(?: the)?"
    r"|^\W*(?:(?:i|we|have|has|just|already|now|it) )*(?:cleared|removed|reset|replaced|fixed|repaired"
    r"|mended|unlocked|disabled)(?: the| an?| old| its)*)\W*$",
    re.I,
)
_DENIED_BEHIND = re.compile(
    r"^(?:\s+(?:battery|batteries|password|pw|lock|damage|agent|account|issue|fault|problem))?[\s\"')]*(?:[:=]\s*(?:no|none|n|nil|0|ok|okay|fine|good)\b"
    r"|[:=]?\s*(?:(?:has|have|had) (?:been )?|was |were |is |are |now |already |got |all |since |lock "
    r"|permanently |fully )*"
    r"(?:removed|cleared|reset|unlocked|deleted|disabled|deactivated|fixed|mended|repaired|replaced|solved|resolved|gone"
    r"|(?:switched |turned )?off|none|nil|fine|ok|okay)\b)",
    re.I,
)

_TO_DO = re.compile(r"\b(?:needs?|must|to be|should|wants?|please|requires?|requested)\b", re.I)


@dataclass(frozen=True)
class Condition:
    """One row of the table of notes."""

    code: str
    words: str
    pattern: str
    unless: str
    severity: str
    effect: str
    title: str
    action: str
    rules_out: str
    also_in: str
    source: str

    @cached_property
    def states(self) -> re.Pattern[str]:
        """What states it; made when a note first holds one of the words. TableError where it cannot be used."""
        return self._made(self.pattern)

    @cached_property
    def excludes(self) -> re.Pattern[str] | None:
        """What a sentence that states it must not hold."""
        return self._made(self.unless) if self.unless else None

    def _made(self, text: str) -> re.Pattern[str]:
        try:
            return _compiled(text)
        except re.error as error:
            raise damaged("intake/notes", f"a row of {self.code!r}: {error}") from error


class NoteState(NamedTuple):
    """A condition that a note states."""

    condition: Condition
    part: str
    doubted: bool


@cache
def table() -> list[Condition]:
    """The conditions, in the order of their table.

    Raises
    ------
    TableError
        When a row cannot be used; the message names it.
    """
    made: list[Condition] = []
    first: dict[str, dict[str, str]] = {}
    for row in dicts("intake/notes"):
        kin = first.setdefault(row["code"], row)
        one = Condition(**{name: value or (kin[name] if name in _INHERITED else "") for name, value in row.items()})
        if not (one.words and one.severity and one.effect and one.title):
            raise damaged("intake/notes", f"the first row of {one.code!r} lacks words, severity, effect or title")
        made.append(one)
    return made


@cache
def _places(column: str) -> dict[str, list[tuple[str, list[int]]]]:
    """By the first two letters: words, each with the places in the table of the rows that it may lead to."""
    places: dict[str, list[int]] = {}
    for place, one in enumerate(table()):
        if column == "notes" or column in one.also_in.split(";"):
            for word in filter(None, one.words.lower().split(";")):
                places.setdefault(word, []).append(place)
    starts: dict[str, list[tuple[str, list[int]]]] = {}
    for word, rows in places.items():
        starts.setdefault(word[:2], []).append((word, rows))
    return starts


_INHERITED = ("words", "unless", "severity", "effect", "title", "action", "rules_out", "also_in")


_PART_BROKEN = re.compile(r"<BROKEN:(.*)>")
_BROKEN = (
    r"\b{0}<GAP><BAD>|\b{0}\s*[:=]\s*(?:<BAD>|no\b)|\b(?<!not )<BAD> {1}{0}\b|\b{0}<GAP>(?:has|with)(?: an?)? {2}"
    r"|\b{2} (?:in|on|to|across) (?:the )?{0}\b"
)
_WHERE = (
    r"(?:(?:laptop|main|built-in|internal|left|right|rear|front|lcd|tft|touch|numeric|one|some|several|both|all|old|the)"
    r" ){0,2}"
)
_HARM = r"(?:crack|fault|damage|problem|defect|chip)"


def _compiled(pattern: str) -> re.Pattern[str]:
    if part := _PART_BROKEN.fullmatch(pattern):
        noun = f"(?:{part[1]})"
        pattern = _BROKEN.replace("{0}", noun).replace("{1}", _WHERE).replace("{2}", _HARM)
    for name, words in _SHORTHAND.items():
        pattern = pattern.replace(name, words)
    return re.compile(pattern, re.I)


@lru_cache(maxsize=100_000)
def said(text: str, column: str = "notes") -> tuple[NoteState, ...]:
    """Find the conditions that one text states.

    Parameters
    ----------
    column : str
        Column of the unit that holds it; 'notes' for notes.

    Returns
    -------
    tuple of NoteState
        Each code once, where it is stated most surely.
    """
    small = text.lower()
    words = _places(column)
    starts = {small[at : at + 2] for at in range(len(small) - 1)} & words.keys()
    told = {place for start in starts for word, places in words[start] if word in small for place in places}
    if not told:
        return ()
    likely = [table()[place] for place in sorted(told)]
    found: dict[str, NoteState] = {}
    for sentence in _SENTENCE.split(_LIST.sub(_spelled_out, " ".join(text[:4000].replace("’", "'").split(" ")))):
        parts = [part.strip() for part in _PART.split(sentence) if part.strip()]
        for one in likely:
            if one.excludes and one.excludes.search(sentence):
                continue
            for part in parts:
                doubted = _states(one, part)
                if doubted is None:
                    continue
                said_before = found.get(one.code)
                if said_before is None or _weight(one, doubted) > _weight(said_before.condition, said_before.doubted):
                    found[one.code] = NoteState(one, part, doubted)
    return tuple(found.values())


def _weight(one: Condition, doubted: bool) -> tuple[bool, int]:
    """Of two places that state the same condition the surer counts, then the one with more effect."""
    return not doubted, -EFFECTS.index(one.effect)


def _spelled_out(match: re.Match[str]) -> str:
    """'no battery, memory or' becomes 'no battery, no memory, no', as the 'no' reaches over the whole list."""
    items = re.split(r", ?", match[2].strip())
    return ", ".join(f"{match[1]} {item}" for item in items) + f", {match[1]} "


def _states(one: Condition, part: str) -> bool | None:
    """Whether a part of a note doubts the condition, None when it does not state it."""
    for match in one.states.finditer(part):
        before, behind = part[: match.start()], part[match.end() :]
        doubt = _DOUBT.search(part)
        mended = _DENIED_BEHIND.search(behind) and not _TO_DO.search(part)
        if mended or _DENIED_BEFORE.search(_DOUBT.sub(" ", before)):
            continue
        return bool(doubt)
    return None


def conditions(units: pd.DataFrame) -> pd.DataFrame:
    """Say what the notes of every unit decide.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, any)
        A Unit frame. What other columns of a sheet say in words ('Battery: swollen') has been put into the notes by
        `understand`.

    Returns
    -------
    pandas.DataFrame
        A row a condition, sorted by unit, worst first: row (position of the unit, from 0), code, severity (stop, act,
        note), effect (set aside, hold, none), title, reason (quotes the note), action, source, rules_out (kinds of part
        that cannot be fitted, ';' between).

    Raises
    ------
    advisor.errors.TableError
        When the table of notes is damaged.
    """
    columns = ["notes", *dict.fromkeys(name for one in table() for name in one.also_in.split(";") if name)]
    records: list[tuple[object, ...]] = []
    for column in columns:
        if column not in units:
            continue
        codes, distinct = pd.factorize(units[column])
        each = [_records(str(text), column) for text in distinct]
        hit = np.array([bool(found) for found in each] + [False])
        for row in np.flatnonzero(hit[codes]):
            records += [(int(row), *record) for record in each[codes[row]]]
    frame = typed(records, dict.fromkeys(CONDITION_COLUMNS, "string") | {"row": "int64"})
    frame = _contradicted(frame, units)
    return worst_first(frame).drop_duplicates(["row", "code"]).reset_index(drop=True)


_CONTRADICTS = {"disk-missing": "storage_kind", "memory-missing": "ram_gib"}
"""Conditions that say that a part is out, and the field that says otherwise when it holds something."""


def _contradicted(frame: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """Hold units whose note says that a part is out while its cell says what is fitted."""
    for code, field in _CONTRADICTS.items():
        if field not in units:
            continue
        stated = texts(units[field].astype("string"))
        against = np.array([value not in (None, "none") for value in stated], dtype=bool)
        rows = frame["row"].to_numpy(dtype=int)
        hit = frame["code"].eq(code).to_numpy() & against[rows]
        if hit.any():
            frame.loc[hit, "effect"] = str(Advice.HOLD)
            words = [f", but {field} says {stated[row]}: find out which holds" for row in rows[hit]]
            frame.loc[hit, "reason"] = [
                f"{said}{more}" for said, more in zip(frame.loc[hit, "reason"], words, strict=True)
            ]
    return frame


@lru_cache(maxsize=100_000)
def _records(text: str, column: str) -> tuple[tuple[str, ...], ...]:
    """The conditions of one text, as rows of the answer."""
    where = "the notes say" if column == "notes" else f"the {column} is"
    made = []
    for one, part, doubted in said(text, column):
        quoted = part if len(part) <= _SHOWN else part[: _SHOWN - 3] + "..."
        effect = str(Advice.HOLD) if doubted and one.effect == Advice.SET_ASIDE else one.effect
        reason = f"{where} '{quoted}'" + (", which is in doubt: find out first" if doubted else "")
        made.append((one.code, one.severity, effect, one.title, reason, one.action, one.source, one.rules_out))
    return tuple(made)
