"""The widget that shows every view: regions of HTML out, what the person does in, errors shown where they work."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import anywidget
import traitlets

from advisor.views.notices import error_notice

_HERE = Path(__file__).parent

Handler = Callable[[Mapping[str, Any], list[bytes]], None]
"""What a view does with one message of the person at the screen: the message, and the bytes that came with it."""


class Surface(anywidget.AnyWidget):
    """A page made of regions.

    Parameters
    ----------
    layout : str
        HTML with an element `data-region="NAME"` for each region, and one for 'notice', where errors are shown.
    handler : callable
        Called with each message; what it raises is shown in 'notice' together with what to do.
    """

    _esm = _HERE / "surface.js"
    _css = _HERE / "look.css"
    regions = traitlets.Dict().tag(sync=True)

    def __init__(self, layout: str, handler: Handler, **regions: str) -> None:
        super().__init__(regions={"layout": str(layout), **{name: str(html) for name, html in regions.items()}})
        self._handler = handler
        self.on_msg(self._receive)

    def _receive(self, _widget: object, content: Mapping[str, Any], buffers: list[Any]) -> None:
        try:
            self._handler(content, [bytes(one) for one in buffers])
        except Exception as error:  # an error in a callback would otherwise be lost in the kernel's log
            self.show(notice=error_notice(error))
        finally:
            if content.get("do") != "tick":
                self.send({"answered": content.get("do", ""), "id": content.get("id", "")})

    def show(self, **regions: str) -> None:
        """Replace regions; the ones left out stay.

        Parameters
        ----------
        **regions : str
            HTML by region name.
        """
        changed = {name: str(html) for name, html in regions.items() if self.regions.get(name) != str(html)}
        if changed:
            self.regions = {**self.regions, **changed}

    def focus(self, element: str, after: str = "") -> None:
        """Move the keyboard focus to an element.

        Parameters
        ----------
        element : str
            Its id.
        after : str
            Id of the element that must still have the focus; '' moves it from anywhere.
        """
        self.send({"focus": element, "after": after})

    def download(self, name: str, content: bytes, mime: str) -> None:
        """Hand a file to the browser, which saves it.

        Parameters
        ----------
        name : str
            File name proposed.
        content : bytes
        mime : str
        """
        self.send({"download": name, "mime": mime}, [content])
