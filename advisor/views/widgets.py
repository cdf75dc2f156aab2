"""The few widgets that the tabs share, and the one piece of JavaScript."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import anywidget
import ipywidgets as w
import traitlets

HERE = Path(__file__).resolve().parent

SHORTCUTS = {"f2": "to find", "/": "to find", "ctrl+p": "print", "f8": "go on", "f9": "to log", "f7": "next"}
"""Key to what it does; said beside the buttons."""


class Keys(anywidget.AnyWidget):
    """Shortcuts, focus, paste and drop, print, clocks, camera: see `keys.js`."""

    _esm = HERE / "keys.js"
    shortcuts = traitlets.Dict(SHORTCUTS).tag(sync=True)

    def focus(self, query: str) -> None:
        """Give the keyboard to the first visible element that a CSS query names."""
        self.send({"focus": query})

    def print(self, html: str) -> None:
        """Open the browser's print dialogue with a page."""
        self.send({"print": html})

    def save(self, name: str, content: bytes) -> None:
        """Hand a file to the browser's downloads."""
        self.send({"save": name}, buffers=[content])


def html(value: str = "", *classes: str) -> w.HTML:
    """An HTML widget with classes."""
    return classed(w.HTML(value), *classes)


def classed(widget: Any, *classes: str) -> Any:
    """A widget with classes."""
    for name in classes:
        widget.add_class(name)
    return widget


def button(title: str, act: Callable[[], Any], *classes: str, hint: str = "") -> w.Button:
    """A button."""
    out = w.Button(description=title, tooltip=hint, layout=w.Layout(width="auto"))
    out.on_click(lambda _: act())
    return classed(out, *classes)


def upload(label: str, take: Callable[[list[tuple[str, bytes]]], Any], *classes: str) -> w.FileUpload:
    """A button that opens files; `take` gets their names and contents."""
    out = w.FileUpload(description=label, multiple=True)

    def given(_: Any) -> None:
        files = [(one.name, bytes(one.content)) for one in out.value]
        if files:
            take(files)
            out.value = ()

    out.observe(given, "value")
    return classed(out, "ba-upload", *classes)


def text(label: str = "", act: Callable[[str], Any] | None = None, *classes: str, **more: Any) -> w.Text:
    """A line to type in; `act` gets its text on Enter or when it is left."""
    return _watched(w.Text(description=label, continuous_update=False, **more), act, classes)


def choice(label: str, options: Any, act: Callable[[Any], Any] | None = None, *classes: str, **more: Any) -> w.Dropdown:
    """A list to choose from."""
    return _watched(w.Dropdown(description=label, options=options, **more), act, classes)


def _watched(widget: Any, act: Callable[[Any], Any] | None, classes: tuple[str, ...]) -> Any:
    if act is not None:
        widget.observe(lambda change: act(change["new"]), "value")
    return classed(widget, *classes)
