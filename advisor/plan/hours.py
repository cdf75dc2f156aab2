"""A shop's day as a bench: working hours, breaks and technicians in ticks, and what of them cannot be meant."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

from advisor.errors import InputError
from advisor.plan.problem import TICKS, Bench, Technician
from advisor.shop import Person, Shop

FOREVER = 10 * 24 * 60 * TICKS
"""Nobody is there until then [ticks]: ten days."""

USUAL = "09:00-17:00"


def minutes(text: str) -> tuple[int, int]:
    """A span such as '09:00-17:00' in minutes from midnight."""
    start, end = (part.strip().split(":") for part in text.replace("–", "-").split("-"))
    return int(start[0]) * 60 + int(start[1]), int(end[0]) * 60 + int(end[1])


def time_of_day(text: str) -> int:
    """A time such as '13:00' in minutes from midnight; InputError where it is none."""
    try:
        when = datetime.strptime(text.strip(), "%H:%M")
    except ValueError as error:
        raise InputError(f"{text.strip()!r} is no time of the day.", "Write it as 13:00.") from error
    return when.hour * 60 + when.minute


def typed_time(day: date, typed: str) -> datetime:
    """A time of a day as it was typed; now where nothing was."""
    return datetime.combine(day, time()) + timedelta(minutes=time_of_day(typed)) if typed.strip() else datetime.now()


def bench_of(shop: Shop) -> tuple[Bench, int, list[str]]:
    """Make a bench of a shop's settings; beside it when tick 0 is [minutes from midnight], and which settings cannot be
    meant, with what was taken instead.
    """
    problems: list[str] = []
    whole = minutes(shop.hours)
    if whole[1] <= whole[0]:
        problems.append(f"The shop's hours {shop.hours} end before they begin; {USUAL} is taken.")
        whole = minutes(USUAL)
    people, spans = [], []
    for person in _people(shop, problems):
        hours = minutes(person.hours) if person.hours else whole
        if hours[1] <= hours[0]:
            problems.append(
                f"The hours {person.hours} of {person.name} end before they begin; {person.name} is left out."
            )
            continue
        people.append(person)
        spans.append(hours)
    opens, closes = min((one[0] for one in spans), default=whole[0]), max((one[1] for one in spans), default=whole[1])
    technicians = tuple(
        Technician(person.name, _away(person, hours, shop, opens, problems))
        for person, hours in zip(people, spans, strict=True)
    )
    sticks = {image.name: image.sticks if image.on_hand else 0 for image in shop.images}
    return Bench(technicians, shop.slots, sticks, (closes - opens) * TICKS), opens, list(dict.fromkeys(problems))


def _people(shop: Shop, problems: list[str]) -> list[Person]:
    if not shop.technicians:
        return [Person(name=f"technician {number}") for number in range(1, shop.hands + 1)]
    found: dict[str, Person] = {}
    for person in shop.technicians:
        key = " ".join(person.name.split()).casefold()
        if key in found:
            problems.append(
                f"Two technicians are called {person.name}; they are planned as one, with the first's hours."
            )
        found.setdefault(key, person)
    return list(found.values())


def _away(
    person: Person, hours: tuple[int, int], shop: Shop, opens: int, problems: list[str]
) -> tuple[tuple[int, int], ...]:
    """Spans without work in ticks: before and after the hours, and breaks, in order and apart."""
    spans = [(opens, hours[0]), (hours[1], opens + FOREVER // TICKS)]
    for text in shop.breaks if person.breaks is None else person.breaks:
        start, end = minutes(text)
        if end <= start:
            problems.append(f"The break {text} of {person.name} ends before it begins; it is left out.")
        else:
            spans.append((start, end))
    return joined([((start - opens) * TICKS, (end - opens) * TICKS) for start, end in spans])


def joined(spans: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Spans in order, those that meet made one, what lies before tick 0 cut off."""
    out: list[tuple[int, int]] = []
    for start, end in sorted((max(0, start), end) for start, end in spans if end > max(0, start)):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return tuple(out)


def moment(day: date, opens: int, ticks: float) -> datetime:
    """When a tick is."""
    return datetime.combine(day, time()) + timedelta(minutes=opens + ticks / TICKS)


def clock(opens: int, ticks: float) -> str:
    """A tick as the time of the day, to the minute."""
    total = opens + round(ticks / TICKS)
    return f"{total // 60:02d}:{total % 60:02d}"
