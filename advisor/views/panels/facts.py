"""The facts of a unit, each in a box where it can be corrected; what is unknown says so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from advisor.unit import Unit
from advisor.views.markup import Markup, el, known, text
from advisor.views.wording import FIRST, LABELS, LONG, MORE, field_words


def facts(unit: Unit, unread: Mapping[str, str], problems: Mapping[str, tuple[str, str]]) -> Markup:
    """Show every field of a unit in a box.

    Parameters
    ----------
    unit : Unit
    unread : mapping of str to str
        Field to why a capture could not read it.
    problems : mapping of str to (str, str)
        Field to what was typed and what is wrong with it; shown until it is corrected.

    Returns
    -------
    markupsafe.Markup
    """
    unknown_first = sum(1 for _, names in FIRST for name in names if name != "notes" and not known(getattr(unit, name)))
    summary = "All the first facts are known." if not unknown_first else f"Unknown of the first facts: {unknown_first}."
    more_wrong = any(name in problems for _, names in MORE for name in names)
    return el(
        "div",
        el("p", summary, " Type over any of them; the verdict follows.", class_="ba-quiet"),
        _groups(FIRST, unit, unread, problems),
        el(
            "details",
            el("summary", "All other facts"),
            _groups(MORE, unit, unread, problems),
            id="ba-more-facts",
            open=more_wrong,
        ),
        _reasons(unit, unread),
        class_="ba-facts",
    )


def _reasons(unit: Unit, unread: Mapping[str, str]) -> Markup | None:
    """Say once for each reason which facts a capture could not read."""
    by_reason: dict[str, list[str]] = {}
    for name, why in unread.items():
        if name in LABELS and not known(getattr(unit, name)):
            by_reason.setdefault(why, []).append(LABELS[name])
    if not by_reason:
        return None
    count = sum(len(names) for names in by_reason.values())
    return el(
        "details",
        el("summary", f"Why {count} facts could not be read"),
        el(
            "ul",
            (el("li", el("strong", ", ".join(names)), f": {why}") for why, names in by_reason.items()),
            class_="ba-plain-list",
        ),
        id="ba-why-unread",
    )


def _groups(
    groups: Sequence[tuple[str, Sequence[str]]],
    unit: Unit,
    unread: Mapping[str, str],
    problems: Mapping[str, tuple[str, str]],
) -> list[Markup]:
    return [
        el(
            "fieldset",
            el("legend", title),
            (field_box(name, getattr(unit, name), unread.get(name, ""), problems.get(name)) for name in names),
        )
        for title, names in groups
    ]


def field_box(name: str, value: object, unread: str = "", problem: tuple[str, str] | None = None) -> Markup:
    """Show one field with its label, its unit and what is wrong with it.

    Parameters
    ----------
    name : str
        A field of the Unit.
    value : object
        None for unknown.
    unread : str
        Why a capture could not read it.
    problem : (str, str), optional
        What was typed, and what is wrong with it.

    Returns
    -------
    markupsafe.Markup
    """
    words = field_words(name)
    is_known = known(value)
    key = f"ba-fact-{name}"
    notes = []
    if problem:
        notes.append(el("span", problem[1], class_="ba-wrong"))
    elif unread and not is_known:
        # Seen as the mark's tip and in the list below; read out beside the box.
        notes.append(el("span", f"Not read: {unread}", class_="ba-hidden"))
    described = f"{key}-note" if notes else None
    common = {
        "id": key,
        "name": name,
        "data_edit": "correct",
        "aria_describedby": described,
        "aria_invalid": "true" if problem else None,
        "title": words.meaning,
    }
    shown = problem[0] if problem else text(value, "")
    if words.choices:
        box = el(
            "select",
            el("option", "unknown", value="", selected=not is_known),
            (el("option", one, value=one, selected=is_known and text(value) == one) for one in words.choices),
            **common,
        )
    elif name in LONG:
        box = el("textarea", shown, rows="2", placeholder="unknown", **common)
    else:
        box = el(
            "input", type="text", value=shown, placeholder="unknown", autocomplete="off", spellcheck="false", **common
        )
    unit = el("span", words.unit, class_="ba-unit", aria_hidden="true") if words.unit else None
    label = f"{words.label}, {words.unit}" if words.unit else words.label
    mark = (
        None
        if is_known
        else el(
            "span",
            "?",
            class_="ba-unknown-mark",
            aria_hidden="true",
            title=f"not read: {unread}" if unread else "unknown",
        )
    )
    return el(
        "div",
        el("label", words.label, el("span", f" in {words.unit}", class_="ba-hidden") if words.unit else None, for_=key),
        el("div", box, unit, mark, class_="ba-box"),
        el("div", notes, id=described, class_="ba-field-note") if notes else None,
        class_="ba-field" + ("" if is_known else " ba-field-unknown") + (" ba-field-long" if name in LONG else ""),
        data_label=label,
    )
