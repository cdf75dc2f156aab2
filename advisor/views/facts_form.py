"""What is known of the unit in view, each fact in a box that can be corrected in place."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from html import escape

import ipywidgets as w

from advisor.benchlog.queue import Queued
from advisor.phrases import spelt
from advisor.unit import LABELS, choices
from advisor.views import labels
from advisor.views.widgets import button, choice, classed, html, text


class FactsForm(w.VBox):
    """Boxes for the facts of a unit.

    Parameters
    ----------
    correct : callable
        Gets the field and what was typed.
    """

    def __init__(self, correct: Callable[[str, str], None]) -> None:
        self._correct = correct
        self._filling = False
        self._entry: Queued | None = None
        self.boxes: dict[str, w.Text | w.Dropdown] = {}
        self.errors: dict[str, w.HTML] = {}
        self._more = classed(w.VBox([]), "ba-more")
        self.more_button = button("More facts", self.show_more)
        first = [self._field(name) for name in labels.FIRST]
        super().__init__([html("<h3>What is known</h3>", "ba"), *first, self.more_button, self._more])
        self.add_class("ba-facts")

    def _field(self, name: str) -> w.VBox:
        allowed = choices(name)
        hint = labels.PLACEHOLDERS.get(name, "")
        act: Callable[[str], None] = lambda typed: self._typed(name, typed)  # noqa: E731
        box = (
            choice(LABELS[name], [("not known", ""), *((spelt(one), one) for one in allowed)], act, f"ba-fact-{name}")
            if allowed
            else text(LABELS[name], act, f"ba-fact-{name}", placeholder=hint or "not known")
        )
        self.boxes[name], self.errors[name] = box, html("", "ba-err")
        return w.VBox([box, self.errors[name]])

    def _typed(self, name: str, typed: str) -> None:
        if not self._filling:
            self._correct(name, typed)

    def show_more(self) -> None:
        """Show the other facts too, or hide them."""
        if self._more.children:
            hidden = self._more.layout.display == "none"
            self._more.layout.display = "" if hidden else "none"
        else:
            self._more.children = [self._field(name) for name in labels.MORE]
            self.fill(self._entry)
        shown = self._more.layout.display != "none"
        self.more_button.description = "Fewer facts" if shown else "More facts"

    def fill(self, entry: Queued | None) -> None:
        """Show a unit's facts; only what differs is sent, so that nobody's typing is disturbed."""
        self._entry, self._filling = entry, True
        for name, box in self.boxes.items():
            typed, why = entry.wrong.get(name, ["", ""]) if entry else ["", ""]
            fact = getattr(entry.unit, name) if entry else None
            value = labels.said(name, fact)
            if typed and isinstance(box, w.Text):
                value = typed
            box.value = str(fact) if isinstance(fact, StrEnum) else value
            note = why or (entry.unread.get(name, "") if entry and not value else "")
            note_html = f'<span class="{"wrong" if why else "dim"}">{escape(note)}</span>' if note else ""
            if self.errors[name].value != note_html:
                self.errors[name].value = note_html
        self._filling = False
