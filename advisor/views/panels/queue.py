"""The queue of units, each with its state and next action, always in view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from advisor.views.markup import Markup, duration, el, known, text
from advisor.views.panels.badges import advice_badge


@dataclass(frozen=True)
class Place:
    """One unit in the queue, as it is shown.

    Attributes
    ----------
    key : int
        Number that names it to the program.
    tag, name : str
        Asset tag ('' for none), maker and model.
    state, next_action : str
        Where the work stands; what to do now.
    advice : str
        '' when it could not be scored.
    elapsed_min : object
        Minutes in the slot [min], or unknown.
    """

    key: int
    tag: str
    name: str
    state: str
    next_action: str
    advice: str
    elapsed_min: object


SHOWN = 150
"""Most units drawn at once; the rest is reached by the tag."""


def queue(places: Sequence[Place], current: int | None, wanted: str = "") -> Markup:
    """Show the queue.

    Parameters
    ----------
    places : sequence of Place
        In order.
    current : int or None
        Key of the unit in view.
    wanted : str
        Text to narrow the list by.

    Returns
    -------
    markupsafe.Markup
    """
    if not places:
        return el("p", "Empty. Units that you add stand here with what to do next.", class_="ba-quiet")
    narrow = wanted.strip().casefold()
    fitting = [one for one in places if narrow in f"{one.tag} {one.name} {one.state} {one.advice}".casefold()]
    here = next((number for number, one in enumerate(fitting) if one.key == current), 0)
    first = max(0, min(here - SHOWN // 2, len(fitting) - SHOWN))
    shown = fitting[first : first + SHOWN]
    hidden = len(fitting) - len(shown)
    return el(
        "div",
        el("p", _count(places), class_="ba-quiet"),
        el(
            "ul",
            (_place(one, one.key == current) for one in shown),
            class_="ba-queue",
            data_arrows=True,
            data_keep_scroll="queue",
            aria_label="Units in the queue",
        ),
        el("p", f"{hidden} more; find them by their tag.", class_="ba-quiet") if hidden else None,
        el("p", "No unit fits these words.", class_="ba-quiet") if not fitting else None,
    )


def _count(places: Sequence[Place]) -> str:
    done = sum(1 for one in places if one.state == "minutes logged")
    words = f"{len(places)} unit" + ("s" if len(places) != 1 else "")
    return f"{words}, {done} done" if done else words


@lru_cache(maxsize=4096)
def _place(one: Place, is_current: bool) -> Markup:
    return el(
        "li",
        el(
            "button",
            el(
                "span",
                el("span", el("strong", one.tag or "no tag"), " ", el("span", text(one.name, ""), class_="ba-quiet")),
                el("span", duration(one.elapsed_min), class_="ba-place-min") if known(one.elapsed_min) else None,
                class_="ba-place-name",
            ),
            el("span", advice_badge(one.advice)) if one.advice else None,
            el("span", el("span", f"{one.state}: ", class_="ba-state"), one.next_action, class_="ba-next"),
            type="button",
            id=f"ba-place-{one.key}",
            data_do="select",
            data_key=one.key,
            data_stop=True,
            aria_current="true" if is_current else None,
            class_="ba-place",
        ),
    )
