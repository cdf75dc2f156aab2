"""The verdict: the advice, the edition and image, the minutes, and why."""

from __future__ import annotations

from advisor.unit import Advice
from advisor.views.findings import Findings, word
from advisor.views.markup import Markup, duration, el, known, text
from advisor.views.panels.badges import advice_badge, severity_badge


def verdict(found: Findings, actions: Markup | None = None) -> Markup:
    """Show the verdict on a unit with its reasons and flags.

    Parameters
    ----------
    found : Findings
    actions : Markup, optional
        Buttons, put where they are in sight however many flags follow.

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "div",
        el(
            "div",
            advice_badge(found.advice, large=True),
            el("div", _headline(found), class_="ba-headline"),
            class_="ba-verdict-top",
        ),
        _figures(found),
        actions,
        el(
            "p",
            el("span", "Because ", class_="ba-quiet"),
            found.why,
            class_="ba-because",
            title=f"Rests on: {found.source}",
        ),
        _flags(found),
        class_="ba-verdict",
    )


def title(found: Findings) -> str:
    """Name a unit in one line: tag, maker, model.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    str
    """
    unit = found.unit
    name = " ".join(one for one in (word(unit.maker), word(unit.model)) if one) or "make and model unknown"
    return f"{text(unit.asset_tag, 'no asset tag yet')} · {name}"


def _headline(found: Findings) -> Markup:
    if found.edition:
        return el("span", el("strong", found.edition), " from ", el("strong", found.image or "no image"))
    if found.advice == Advice.HOLD:
        return el("span", "No edition can be advised until the missing fact is filled in.")
    return el("span", "No edition is advised.")


def _figures(found: Findings) -> Markup:
    scored = found.scored
    low, high = scored["elapsed_low_min"], scored["elapsed_high_min"]
    between = f"{duration(low)} to {duration(high)} (80 %)" if known(low) and known(high) else "no interval"
    rows = [
        ("Hands-on", duration(scored["hands_on_min"]), ""),
        ("Holds a slot", duration(scored["elapsed_min"]), between if known(scored["elapsed_min"]) else ""),
        ("Have at hand", "; ".join([*found.firmware, *([found.part] if found.part else [])]) or "nothing special", ""),
        ("Best part", text(scored["best_fix"], "none"), ""),
    ]
    return el(
        "dl",
        (
            el(
                "div",
                el("dt", name),
                el("dd", el("strong", value), el("span", " ", more, class_="ba-quiet") if more else None),
            )
            for name, value, more in rows
        ),
        class_="ba-figures",
    )


def _flags(found: Findings) -> Markup:
    if not len(found.flags):
        return el("p", "No flags.", class_="ba-quiet")
    return el(
        "ul",
        (
            el(
                "li",
                severity_badge(str(flag.severity)),
                el(
                    "div",
                    el("strong", flag.title),
                    ": ",
                    flag.reason,
                    el("span", " ", flag.action, class_="ba-action"),
                    class_="ba-flag-words",
                ),
                title=f"{flag.code}; source: {flag.source}",
            )
            for flag in found.flags.itertuples(index=False)
        ),
        class_="ba-flags",
        aria_label="Flags",
    )
