"""The triage view: one unit in front of you, and the queue it stands in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from advisor.errors import InputError
from advisor.shop import Shop
from advisor.views.bench import MOST_AT_ONCE, Bench, safe_name
from advisor.views.files_in import MOST_BYTES, sticks
from advisor.views.markup import Markup, el, labelled, notices
from advisor.views.notices import error_notice, notice
from advisor.views.panels import closing, devices, facts, ladder, parts, phases, queue, sources, stopwatch, verdict
from advisor.views.shelf import Shelf

if TYPE_CHECKING:
    from advisor.views.surface import Surface


def layout() -> Markup:
    """Lay out the regions of the triage view.

    Returns
    -------
    markupsafe.Markup
    """

    def region(name: str, **more: Any) -> Markup:
        return el("div", data_region=name, **more)

    return el(
        "div",
        el("header", el("h1", "Intake triage", class_="ba-hidden"), region("sources")),
        notices(),
        region("rows"),
        el(
            "div",
            el("nav", region("running"), el("h2", "Queue"), region("queue"), class_="ba-side", aria_label="Queue"),
            el(
                "main",
                region("head"),
                region("watch"),
                region("close"),
                region("time"),
                region("facts"),
                region("findings"),
                class_="ba-unit-view",
            ),
            class_="ba-columns",
        ),
        class_="ba-view ba-triage",
    )


def regions(bench: Bench) -> dict[str, Markup]:
    """Write out the whole view.

    Parameters
    ----------
    bench : Bench

    Returns
    -------
    dict of str to markupsafe.Markup
        HTML by region, 'notice' apart.
    """
    current, found, loaded = bench.current, bench.found, bench.loaded
    out = {
        "sources": sources.sources(str(bench.folder or next(iter(sticks()), "")), sticks(), bench.folder is not None),
        "rows": Markup("")
        if loaded is None
        else sources.sheet_rows(
            loaded.name, loaded.shown(), len(loaded.listed), loaded.words, loaded.understood.report(), MOST_AT_ONCE
        ),
        "queue": queue.queue(bench.places(), current.key if current else None, bench.narrow),
    }
    watches = bench.watches()
    out["running"] = stopwatch.running(watches, current.tag if current else "")
    if current is None or found is None:
        return out | {"head": _welcome()} | dict.fromkeys(("watch", "close", "time", "facts", "findings"), Markup(""))
    kept = current.kept
    out["head"] = el(
        "section",
        el("h2", verdict.title(found), el("span", f" from {kept.origin}", class_="ba-quiet"), id="ba-unit-title"),
        verdict.verdict(found, closing.actions(found, kept.made)),
        aria_labelledby="ba-unit-title",
        class_="ba-card ba-head",
    )
    out["watch"] = labelled(
        "Stopwatch", stopwatch.stopwatch(watches, current.tag, found), key="stopwatch", class_="ba-card ba-tight"
    )
    end: list[Markup] = []
    if current.logging:
        end.append(
            labelled(
                "Done: log the actual minutes",
                closing.log_form(found, bench.shop.richness, kept.logged, watches, current.key),
                key="log",
                class_="ba-card",
            )
        )
    if current.page:
        end.append(
            labelled(
                "Sheet", closing.sheet_view(current.page, current.tag or "this unit"), key="sheet", class_="ba-card"
            )
        )
    out["close"] = Markup("").join(end)
    out["facts"] = labelled(
        "What is known", facts.facts(kept.unit, kept.unread, kept.problems), key="facts", class_="ba-card"
    )
    out["time"] = labelled("How long it takes", phases.phases(found), key="phases", class_="ba-card")
    out["findings"] = Markup("").join(
        [
            labelled("Which desktop feels right", ladder.ladder(found), key="ladder", class_="ba-card"),
            labelled("Devices on each image", devices.devices(found), key="devices", class_="ba-card"),
            labelled("Parts that would change the answer", parts.parts(found), key="parts", class_="ba-card"),
        ]
    )
    return out


def _welcome() -> Markup:
    return el(
        "section",
        el("h2", "No unit yet"),
        el(
            "p",
            "Capture this machine, open a capture or an intake sheet, watch the stick, or type a unit in. "
            "The verdict appears here.",
        ),
        class_="ba-card ba-welcome",
    )


class Triage:
    """What each message of the view does.

    Parameters
    ----------
    bench : Bench
    surface : Surface
        Anything with `show`, `focus` and `download`.
    """

    def __init__(self, bench: Bench, surface: Surface) -> None:
        self.bench = bench
        self.surface = surface
        self._pieces: dict[str, list[bytes]] = {}

    def handle(self, message: Mapping[str, Any], buffers: list[bytes]) -> None:
        """Do what one message asks for, then show the view as it is now."""
        what = str(message.get("do", ""))
        action: Callable[[Mapping[str, Any], list[bytes]], str | None] | None = getattr(
            self, f"_do_{what.replace('-', '_')}", None
        )
        if action is None:
            raise InputError(f"The view asked for {what!r}, which this version does not know.", "Load the page again.")
        try:
            words = action(message, buffers)
        except Exception:
            self.surface.show(**regions(self.bench))
            raise
        shown: dict[str, Any] = dict(regions(self.bench))
        if words is not None:
            shown["notice"] = notice(words) if words else Markup("")
        self.surface.show(**shown)

    def _to_verdict(self) -> None:
        entry = self.bench.current
        if entry is not None:
            self.surface.focus("ba-make" if entry.tag else "ba-fact-asset_tag")

    def _do_hello(self, message: Mapping[str, Any], buffers: list[bytes]) -> None:
        return None

    def _do_capture(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        words = self.bench.capture_here()
        self._to_verdict()
        return words

    def _do_blank(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        words = self.bench.blank()
        self.surface.focus("ba-fact-asset_tag")
        return words

    def _do_upload(self, message: Mapping[str, Any], buffers: list[bytes]) -> str | None:
        whole = gather(self._pieces, message, buffers)
        if whole is None:
            return None
        words = self.bench.open_file(str(message["name"]), whole)
        self.surface.focus("ba-narrow-rows") if self.bench.loaded and words.endswith("or all.") else self._to_verdict()
        return words

    def _do_watch(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        return self.bench.watch(str(message["values"].get("folder", "")))

    def _do_unwatch(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        return self.bench.unwatch()

    def _do_tick(self, message: Mapping[str, Any], buffers: list[bytes]) -> str | None:
        return self.bench.look() or None

    def _do_select(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        self.bench.select(int(message["key"]))
        return ""

    def _do_find(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        words = self.bench.find(str(message["values"].get("tag", "")))
        self._to_verdict()
        return words

    def _do_narrow(self, message: Mapping[str, Any], buffers: list[bytes]) -> None:
        self.bench.narrow = str(message.get("value", ""))

    def _do_narrow_rows(self, message: Mapping[str, Any], buffers: list[bytes]) -> None:
        if self.bench.loaded is not None:
            self.bench.loaded.words = str(message.get("value", message.get("values", {}).get("words", "")))

    def _do_take(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        words = self.bench.take_rows([int(message["row"])])
        self._to_verdict()
        return words

    def _do_take_all(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        loaded = self.bench.loaded
        words = self.bench.take_rows(range(len(loaded.listed)) if loaded else ())
        self.bench.loaded = None
        return words

    def _do_close_sheet(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        self.bench.loaded = None
        return ""

    def _do_correct(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        name = str(message["field"])
        words = self.bench.correct(name, str(message["value"]))
        if name == "asset_tag" and message.get("enter") and self.bench.current and self.bench.current.tag:
            self.surface.focus("ba-make", after="ba-fact-asset_tag")
        return words

    def _do_sheet(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        name, pdf = self.bench.make_sheet()
        self.surface.download(name, pdf, "application/pdf")
        self.surface.focus("ba-print")
        return f"The sheet was made: {name}."

    def _do_start(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        words = self.bench.start(str(message["phase"]))
        self.surface.focus("ba-go-on")
        return words

    def _do_stop(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        words = self.bench.stop(str(message["tag"]), str(message["phase"]))
        self.surface.focus("ba-go-on")
        return words

    def _do_go_on(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        return self.bench.go_on()

    def _do_show_tag(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        words = self.bench.find(str(message["tag"]))
        self.surface.focus("ba-go-on")
        return words

    def _do_done(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        words = self.bench.done()
        self.surface.focus("ba-log-elapsed_min")
        return words

    def _do_log(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        return self.bench.log_minutes(message["values"])

    def _do_remove(self, message: Mapping[str, Any], buffers: list[bytes]) -> str:
        return self.bench.remove()


def gather(pieces: dict[str, list[bytes]], message: Mapping[str, Any], buffers: list[bytes]) -> bytes | None:
    """Put an uploaded file together from its pieces.

    Parameters
    ----------
    pieces : dict
        File name to the pieces so far; changed.
    message : mapping
        name, piece (from 0), count, size [bytes].
    buffers : list of bytes

    Returns
    -------
    bytes or None
        The whole file with its last piece; None before.

    Raises
    ------
    InputError
        When it is too large or its pieces do not fit together.
    """
    name, number, count = str(message["name"]), int(message["piece"]), int(message["count"])
    if int(message["size"]) > MOST_BYTES:
        pieces.pop(name, None)
        raise InputError(
            f"{safe_name(name)} is larger than {MOST_BYTES >> 20} MiB.",
            "Hand in the capture or the intake sheet alone.",
        )
    so_far = pieces.setdefault(name, [])
    if number == 0:
        so_far.clear()
    if number != len(so_far) or not buffers:
        pieces.pop(name, None)
        raise InputError(f"{safe_name(name)} did not arrive whole.", "Open it again.")
    so_far.append(buffers[0])
    if number + 1 < count:
        return None
    del pieces[name]
    return b"".join(so_far)


def triage(shop: Shop | None = None, bench: Bench | None = None) -> Surface:
    """Make the triage view for a notebook cell.

    Parameters
    ----------
    shop : Shop, optional
        The workshop's settings; the built-in ones when left out.
    bench : Bench, optional
        State to show; by default the queue of the last sitting.

    Returns
    -------
    Surface
        An ipywidgets widget.
    """
    from advisor.views.surface import Surface

    wrong: Exception | None = None
    if bench is None:
        bench = Bench(shop, shelf=Shelf())
        try:
            bench.restore()
        except InputError as error:
            wrong = error
    surface = Surface(layout(), lambda message, buffers: view.handle(message, buffers), **regions(bench))
    view = Triage(bench, surface)
    if wrong is not None:
        surface.show(notice=error_notice(wrong))
    return surface
