"""Lines that tell the person something: what was done, or what went wrong and what to do."""

from __future__ import annotations

import traceback

from advisor.errors import AdvisorError
from advisor.views.markup import Markup, el


def error_notice(error: Exception) -> Markup:
    """Say what went wrong and what to do.

    Parameters
    ----------
    error : Exception
        A package error carries its own hint; any other is a fault of the program.

    Returns
    -------
    markupsafe.Markup
    """
    if isinstance(error, AdvisorError):
        return notice(error.message, error.hint, wrong=True)
    details = el(
        "details",
        el("summary", "Details for the people who mend the program"),
        el("pre", "".join(traceback.format_exception(error))[-4000:]),
    )
    return notice(
        f"The program itself failed: {type(error).__name__}: {error}".strip()[:300],
        "Nothing was lost. Try again, or go on with another unit; pass the details on if it comes back.",
        details,
        wrong=True,
    )


def notice(message: str, hint: str = "", *more: Markup, wrong: bool = False) -> Markup:
    """Build a line that tells the person something.

    Parameters
    ----------
    message, hint : str
        What happened; what to do now.
    *more : Markup
    wrong : bool
        Whether something failed: then it is read out at once.

    Returns
    -------
    markupsafe.Markup
    """
    sign = el("span", "Not done" if wrong else "Done", class_="ba-notice-word")
    return el(
        "div",
        sign,
        el("div", el("strong", message), el("span", " ", hint) if hint else None, more, class_="ba-notice-text"),
        class_="ba-notice ba-notice-wrong" if wrong else "ba-notice",
        role="alert" if wrong else None,
    )
