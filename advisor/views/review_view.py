"""The model review: what the numbers rest on, how good they were, and whether the shop has moved away from them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from advisor.errors import AdvisorError, InputError
from advisor.shop import Shop, default_shop
from advisor.views.markup import Markup, el, labelled, notices
from advisor.views.notices import error_notice, notice
from advisor.views.panels import review_held, review_learnt, review_log
from advisor.views.review import Review

if TYPE_CHECKING:
    from advisor.views.surface import Surface


def layout() -> Markup:
    """Lay out the regions of the model review.

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "div",
        el("header", el("h1", "Model review", class_="ba-hidden"), el("div", data_region="sources")),
        notices(),
        el("main", (el("div", data_region=name) for name in ("basis", "learnt", "log", "held", "tables"))),
        class_="ba-view ba-review",
    )


def regions(review: Review) -> dict[str, Markup]:
    """Write out the whole view.

    Parameters
    ----------
    review : Review

    Returns
    -------
    dict of str to markupsafe.Markup
        HTML by region, 'notice' apart.
    """
    return {
        "sources": el(
            "div",
            el(
                "button",
                "Judge on the rehearsals",
                type="button",
                id="ba-judge",
                data_do="judge",
                data_first=True,
                class_="ba-main",
                title="Takes about a minute",
            ),
            el("button", "Compare with the shop's log", type="button", id="ba-log-open", data_do="log"),
            el("button", "Show with the invented demo log", type="button", id="ba-demo", data_do="demo"),
            class_="ba-sources",
        ),
        "basis": labelled("What the models were made from", review_held.basis(review), key="basis", class_="ba-card"),
        "learnt": review_learnt.before_after(review),
        "held": review_held.held_out(review.report),
        "log": review_log.against_log(review),
        "tables": labelled("Where every table is from", review_held.sources(), key="tables", class_="ba-card"),
    }


class ReviewView:
    """What each message of the view does.

    Parameters
    ----------
    review : Review
    surface : Surface
        Anything with `show`.
    """

    def __init__(self, review: Review, surface: Surface) -> None:
        self.review = review
        self.surface = surface

    def handle(self, message: Mapping[str, Any], buffers: list[bytes]) -> None:
        """Do what one message asks for, then show the view as it is now."""
        actions: dict[str, Callable[[], str]] = {
            "hello": lambda: "",
            "judge": self.review.judge,
            "log": self.review.open_log,
            "demo": self.review.open_demo_log,
        }
        what = str(message.get("do", ""))
        if what not in actions:
            raise InputError(f"The view asked for {what!r}, which this version does not know.", "Load the page again.")
        words = actions[what]()
        if words:
            self.surface.show(**regions(self.review), notice=notice(words))


def review(shop: Shop | None = None, state: Review | None = None) -> Surface:
    """Make the model review for a notebook cell.

    Parameters
    ----------
    shop : Shop, optional
        The workshop's settings; the built-in ones when left out.
    state : Review, optional
        State to show; by default the shop's log is compared at once.

    Returns
    -------
    Surface
        An ipywidgets widget.
    """
    from advisor.views.surface import Surface

    wrong: AdvisorError | None = None
    held = state
    if held is None:
        held = Review(shop or default_shop())
        try:
            held.open_log()
        except AdvisorError as error:
            wrong = error
    surface = Surface(layout(), lambda message, buffers: view.handle(message, buffers), **regions(held))
    view = ReviewView(held, surface)
    if wrong is not None:
        surface.show(notice=error_notice(wrong))
    return surface
