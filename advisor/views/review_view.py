"""The Review tab: how good the predictions are, looked at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import ipywidgets as w

from advisor.views.widgets import html

if TYPE_CHECKING:
    from advisor.views.app_view import App


class Review(w.VBox):
    """The tab.

    Parameters
    ----------
    app : App
    """

    def __init__(self, app: App) -> None:
        self.app = app
        self.body = html("", "ba")
        super().__init__([self.body])

    def refresh(self) -> None:
        """Show the pictures."""
