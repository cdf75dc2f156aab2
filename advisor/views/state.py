"""What the bench's page does: the queue, the unit in view, its corrections, stopwatches and log. No widgets here."""

from __future__ import annotations

import gc
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path

from advisor.advice import Batch, assess
from advisor.advice.record import MINUTES, Record
from advisor.benchlog import BenchLog, Job
from advisor.benchlog.laps import Watches, titles, watches
from advisor.benchlog.learning import logged
from advisor.benchlog.queue import Queue, Queued
from advisor.columns import records
from advisor.errors import AdvisorError, InputError
from advisor.files import datasets, read_whole
from advisor.intake.correct import correct
from advisor.intake.handed_in import Sheet, read_file, read_pasted, scan, shown_name
from advisor.phrases import counted
from advisor.shop import Shop
from advisor.shop_file import read_shop, the_shop
from advisor.unit import LABELS, Capture, Unit, frame, unit_of
from advisor.views import labels

MOST_AT_ONCE = 500
"""Most units that may join the queue at once."""

WHYS = ("slow download", "trouble with the hardware", "called away")
"""Reasons why a unit took longer or shorter, a button each."""


@dataclass
class JustLogged:
    """A unit that was just logged: what was predicted, what it took, and what that says."""

    job: int
    tag: str
    predicted: tuple[float | None, ...]  # In the slot, the ends of its range, hands-on [min]
    actual: tuple[float | None, float | None]
    said: str


class BenchPage:
    """The bench as one page sees it.

    Parameters
    ----------
    shop : Shop, optional
        When left out, what was chosen on a page before, else the settings of `advisor.shop_file.the_shop`.
    log : path-like, optional
        The bench log; the user's own when left out.
    """

    def __init__(self, shop: Shop | None = None, log: str | Path | None = None) -> None:
        self.log = BenchLog(log)
        self.queue = Queue(self.log)
        self._given, self.shop_file, self.told = shop, "", ""
        self.shop = shop or self._chosen_before()
        self.units: list[Queued] = self.queue.units()
        self.number = 0
        self.record: Record | None = None
        self.twice: list[tuple[Queued, Queued]] = []
        self.taken_off: list[tuple[int, str]] = []
        self.folder: Path | None = None
        self.technician = self._last_technician()
        self.day = date.today().isoformat()
        self.last: JustLogged | None = None
        self._seen: dict[str, tuple[int, int]] = {}
        self._stamp = self.queue.stamp()
        self._batch: Batch | None = None

    # -- the shop -----------------------------------------------------------------------------------------------------

    def _chosen_before(self) -> Shop:
        """The shop that was chosen on a page before, which outlives the page as the queue does; else the start's."""
        path = self.queue.chosen_shop(_start())
        if not path:
            return the_shop()
        try:
            shop = read_shop(path)
        except AdvisorError as error:
            shop = the_shop()
            self.told = f"{error.message} The settings of {shop.name} hold instead."
            return shop
        self.shop_file = path
        self.told = f"Settings of {shop.name}, as chosen before; empty the box Shop for those of the start."
        return shop

    def take_shop(self, path: str) -> str:
        """Take the settings of a file, '' for those of the start; says whose they are."""
        file = os.path.abspath(os.path.expanduser(path.strip())) if path.strip() else ""
        self.shop = read_shop(file) if file else self._given or the_shop()
        self.shop_file = file
        if self._given is None:
            self.queue.choose_shop(file, _start())
        waiting = [one for one in self.units if one.job is None]
        if waiting:
            self._share(waiting)
        if self.entry:
            self.record = self.score()
        return f"Settings of {self.shop.name}."

    # -- where units come from ----------------------------------------------------------------------------------------

    def this_pc(self) -> str:
        """Capture this machine; says what was done."""
        from advisor import capture

        taken = capture.take()
        self.join([_of_capture(taken, "this PC")])
        unread = len(taken.unread)
        return "This PC was read." + (f" {counted(unread, 'fact')} could not be read, each says why." if unread else "")

    def take_file(self, name: str, content: bytes) -> str:
        """Take a file: captures, listings and the rows of a sheet join the queue."""
        return self._took(read_file(name, content), shown_name(name))

    def take_text(self, text: str) -> str:
        """Take pasted text: rows of a sheet, a capture or listings."""
        return self._took(read_pasted(text), "pasted text")

    def _took(self, got: list[Capture] | Sheet, name: str) -> str:
        if isinstance(got, Sheet):
            if len(got.raw) <= MOST_AT_ONCE:
                return self.join(_of_sheet(got))
            rows = counted(len(got.raw), "row")
            return f"{got.name}: {rows}, too many for the queue. Score them in the Batch tab."
        from advisor.capture.listings import missing

        told = self.join([_of_capture(one, name) for one in got])
        if not got[0].ledger:
            return told
        left = [line for line in got[0].ledger if ": left, " in line or ", left, " in line]
        parts = counted(len(left), "part") if left else ""
        unread = f"{parts} of the text could not be used: {'; '.join(left[:3])}." if left else ""
        return " ".join(part for part in (told, *dict.fromkeys(map(missing, got)), unread) if part)

    def try_demo(self) -> str:
        """Take the invented workshop and its units; says so."""
        shop, sheet = invented()
        self.take_shop(shop)
        self.take_file(*sheet)
        return f"{self.shop.name}: {counted(len(self.units), 'unit')}, all invented."

    def type_in(self) -> str:
        """Start a unit that is typed in."""
        self.join([Queued(Unit())])
        return "Type the tag, the processor, the memory and the disk; the advice follows."

    def join(self, units: Sequence[Queued]) -> str:
        """Put units in the queue; one whose tag stands there already waits for an answer in `twice`."""
        there = {one.tag.casefold(): one for one in self.queue.units() if one.tag}
        fresh = [one for one in units if one.tag.casefold() not in there]
        self.twice += [(one, there[one.tag.casefold()]) for one in units if one.tag.casefold() in there]
        numbers = self.queue.add(fresh)
        self.reload()
        if len(numbers) > 1:
            self._share([one for one in self.units if one.number in numbers])
        if numbers:
            self.select(numbers[0])
        told = f"{counted(len(numbers), 'unit')} joined the queue." if numbers else ""
        if self.twice:
            told += f" {counted(len(self.twice), 'tag')} in the queue already: say what to do."
        return told.strip()

    def answer(self, how: str) -> str:
        """Say what becomes of a unit whose tag stands in the queue: 'update', 'both' or 'leave'."""
        fresh, old = self.twice.pop(0)
        if how == "update":
            facts = fresh.unit.model_dump(mode="json", exclude_none=True)
            self.queue.change(old.number, facts, {})
            self._show(old.number)
            return f"{old.tag}: the new facts were taken; what they do not say stays."
        if how == "both":
            self._show(self.queue.add([fresh])[0])
            return f"{old.tag} stands in the queue twice now."
        return f"{old.tag} was left as it is."

    def watch(self, folder: str) -> str:
        """Watch a folder for captures, '' for no longer; says what was done."""
        if not folder.strip():
            self.folder = None
            return "No folder is watched."
        path = Path(os.path.expanduser(folder.strip()))
        if not os.path.isdir(path):
            raise InputError(
                f"{str(path)[:200]} is no folder here.", "Type the folder of the stick, such as /media/bench/STICK."
            )
        self.folder, self._seen = path, {}
        return f"Watching {path}. {self.look()}".strip()

    def look(self) -> str:
        """Look into the watched folder once; says what came of it, '' for nothing new."""
        taken: list[Queued] = []
        wrong: list[str] = []
        for one in scan(self.folder, self._seen) if self.folder else ():
            self._seen[one.path.name] = one.stamp
            name = shown_name(one.path.name)
            try:
                got = read_file(name, read_whole(one.path))
                taken += [] if isinstance(got, Sheet) else [_of_capture(each, name) for each in got]
            except AdvisorError as error:
                wrong.append(f"{name}: {error.message}")
        told = self.join(taken) if taken else ""
        if wrong:
            raise InputError(" ".join(wrong), f"{told} Capture that unit again.".strip())
        return told

    # -- the queue ----------------------------------------------------------------------------------------------------

    def reload(self) -> bool:
        """Read the queue anew; tells whether the unit in view stands otherwise than it is shown."""
        before = self.entry
        self.units = self.queue.units()
        self._stamp = self.queue.stamp()
        return before != self.entry

    def changed_elsewhere(self) -> bool:
        """Whether somebody else wrote to the log's file since it was read."""
        return self.queue.stamp() != self._stamp

    @property
    def entry(self) -> Queued | None:
        """The unit in view."""
        return next((one for one in self.units if one.number == self.number), None)

    def here(self) -> Queued:
        """The unit in view; InputError where there is none."""
        if self.entry is None:
            raise InputError("No unit is in view.", "Choose one, or add one.")
        return self.entry

    def select(self, number: int) -> None:
        """Bring a unit into view and score it; 0 for none."""
        self.number, self.last = number, None
        self.record = self.score() if self.entry else None

    def _show(self, number: int) -> None:
        """Read the queue anew and bring a unit into view."""
        self.reload()
        self.select(number)

    def find(self, tag: str) -> str:
        """Bring the unit with a tag into view, as when its code is scanned."""
        wanted = tag.strip().casefold()
        near = [one for one in self.units if wanted and one.tag.casefold() == wanted] or [
            one for one in self.units if wanted and wanted in f"{one.tag} {one.unit.maker} {one.unit.model}".casefold()
        ]
        if not near:
            raise InputError(
                f"No unit in the queue has the tag {tag.strip()!r}." if wanted else "No tag was given.",
                "Capture the unit, or open the sheet it stands on.",
            )
        self.select(near[0].number)
        return f"{near[0].tag or 'The unit'} is in view." + (
            f" {len(near)} fit; this is the first." if near[1:] else ""
        )

    def _share(self, some: Sequence[Queued]) -> None:
        """Share what is left of the drawer out over units of the queue, as a batch of them is given it."""
        self.queue.keep({one.number: {} for one in some})
        batch = assess(frame([one.unit for one in some]), self.queue.offered(0, self.shop))
        self.queue.keep({one.number: batch.kept_for(at) for at, one in enumerate(some)})
        self.reload()

    def left_by_others(self) -> str:
        """What the drawer is for the unit in view, where other units of the queue keep parts; else ''."""
        entry = self.here()
        others = [one for one in self.units if one.number != entry.number and one.job is None and one.kept]
        if not others and not any(entry.spoken_for.values()):
            return ""
        return "The drawer is counted here as other units leave it, for which parts are kept."

    def score(self) -> Record:
        """Score the unit in view; parts that are kept for other units of the queue are not offered to it."""
        entry = self.here()
        _spare_tables()
        self._batch = assess(frame([entry.unit]), self.queue.offered(entry.number, self.shop))
        kept = self._batch.kept_for(0)
        if kept != entry.kept and entry.job is None:
            self.queue.keep({entry.number: kept})
            self.units = [replace(one, kept=kept) if one.number == entry.number else one for one in self.units]
        return self._batch[0]

    def correct(self, name: str, typed: str) -> str:
        """Correct one fact of the unit in view; says what followed, and raises where it is not understood."""
        entry = self.here()
        found = correct(entry.unit, name, typed)
        if found.problem:
            self.queue.refuse(entry.number, name, typed, found.problem)
            self.reload()
            raise InputError(f"{LABELS[name]}: {found.problem}", "What stood there before stays.")
        old, new = entry.unit.model_dump(mode="json"), found.unit.model_dump(mode="json")
        facts = {key: value for key, value in new.items() if value != old[key] or key == name}
        if name == "asset_tag":
            self._retag(entry, str(new["asset_tag"] or ""))
        _, theirs = self.queue.change(entry.number, facts, old)
        self.reload()
        self.record = self.score()
        told = [f"{LABELS[name]} is {labels.said(name, getattr(found.unit, name)) or 'not known'}."]
        if found.also:
            told.append(f"With it changed: {', '.join(LABELS[one].lower() for one in found.also)}.")
        told += [
            f"Somebody else had typed {labels.said(key, value) or 'nothing'}; yours stands."
            for key, value in theirs.items()
        ]
        return " ".join(told)

    def _retag(self, entry: Queued, tag: str) -> None:
        """Give the stopwatches of the unit in view to its new tag, unless another unit may own them."""
        if [one for one in self.queue.tagged(tag) if one.number != entry.number]:
            raise InputError(f"{tag} stands on another unit of the queue.", "Give each unit a tag of its own.")
        if entry.tag and tag and tag != entry.tag and len(self.queue.tagged(entry.tag)) == 1:
            self.log.retag(entry.tag, tag)

    def take_off(self) -> str:
        """Take the unit in view off the queue; `undo` puts it back."""
        entry = self.here()
        place = [one.number for one in self.units].index(entry.number)
        self.queue.take_off(entry.number)
        self.taken_off.append((entry.number, entry.tag or "The unit"))
        self.reload()
        self.select(self.units[min(place, len(self.units) - 1)].number if self.units else 0)
        return f"{entry.tag or 'The unit'} was taken off the queue."

    def undo(self) -> str:
        """Put back what was taken off last."""
        if not self.taken_off:
            raise InputError("Nothing was taken off the queue.")
        number, tag = self.taken_off.pop()
        self.queue.put_back(number)
        self._show(number)
        return f"{tag} is back in the queue."

    def next_unit(self) -> str:
        """Bring the next unit into view that is not logged yet."""
        waiting = [one for one in self.units if one.job is None and one.number != self.number]
        after = [one for one in waiting if one.number > self.number] or waiting
        if not after:
            return "That was the last unit of the queue."
        self.select(after[0].number)
        return f"Next: {after[0].tag or 'a unit without a tag'}."

    def states(self) -> list[str]:
        """Where the work on each unit of the queue stands, in a word or two."""
        running = {lap.tag for lap in self.watches().running if lap.tag}
        return [
            "logged" if one.job is not None
            else "running" if one.tag in running
            else "sheet printed" if one.printed
            else ""
            for one in self.units
        ]  # fmt: skip

    # -- the sheet, the stopwatches, the log --------------------------------------------------------------------------

    def print_sheet(self) -> tuple[str, bytes]:
        """The sheet of the unit in view: its HTML for printing, and its PDF."""
        from advisor.views.show import Page

        entry, record = self.here(), self.record
        assert record is not None  # a unit in view is scored
        page = Page((record,))
        out = page.html, page.pdf
        self.queue.mark(entry.number, printed=True)
        self.reload()
        return out

    def watches(self) -> Watches:
        """What the stopwatches say of the unit in view, and which run."""
        return watches(self.log, self.entry.tag if self.entry else "")

    def go_on(self) -> str:
        """Stop what runs for the unit in view and start the step after it; says so."""
        entry, now = self.here(), self.watches()
        if not entry.tag:
            raise InputError("The unit has no tag, and stopwatches go by the tag.", "Type its tag first.")
        following = now.next_phase()
        told = self._stop_all()
        if following:
            self.log.start(entry.tag, following)
        return " ".join([*told, f"{titles()[following]}: the clock runs." if following else "That was the last step."])

    def _stop_all(self) -> list[str]:
        """Stop what runs for the unit in view."""
        return [self.stop(lap.tag, lap.phase) for lap in self.watches().laps if lap.minutes is None]

    def stop(self, tag: str, phase: str) -> str:
        """Stop a stopwatch of any unit; says how long it ran."""
        return f"{titles().get(phase, phase)}, {tag}: {self.log.stop(tag, phase):.1f} min."

    def log_it(self, job: Job) -> JustLogged:
        """Log what the unit in view took, beside what was predicted for it."""
        entry, record = self.here(), self.record
        assert record is not None and self._batch is not None  # a unit in view is scored
        if not entry.tag:
            raise InputError("The unit has no tag, and the log goes by the tag.", "Type its tag first.")
        self._stop_all()
        timing = self._batch.timing
        phases = records(timing.phases[["phase", "hands_on_min", "machine_min"]])
        minutes = {name: getattr(record, name) for name in MINUTES}
        scored = {"advice": record.advice, "edition": record.edition, "image_used": record.image, **minutes}
        self.log.add_unit(
            entry.tag, entry.unit.model_dump(mode="json", exclude_none=True), scored, phases, timing.basis
        )
        number = self.log.add_jobs([job])[0]
        self.queue.mark(entry.number, job=number)
        self.technician, self.day = job.technician or "", job.done_on
        try:
            said = logged(self.log, [number])
        except AdvisorError as error:
            said = f"The ranges were not brought up to date: {error.message}"
        self.reload()
        self.last = JustLogged(number, entry.tag, tuple(minutes.values()), (job.elapsed_min, job.hands_on_min), said)
        return self.last

    def why(self, said: str) -> str:
        """Keep why the unit logged last took what it took."""
        if self.last is None:
            raise InputError("No unit was logged just now.")
        note = self.log.rows("SELECT note FROM job WHERE id = ?", (self.last.job,))[0]["note"]
        self.log.edit_job(self.last.job, note="; ".join(filter(None, (note, f"why: {said.strip()}"))))
        return f"{self.last.tag}: {said.strip()}, kept in the log."

    def _last_technician(self) -> str:
        rows = self.log.rows("SELECT technician FROM job WHERE technician IS NOT NULL ORDER BY id DESC LIMIT 1")
        return str(rows[0]["technician"]) if rows else ""


def _start() -> str:
    """What the page was started with: a shop that was named then goes before what was chosen under another server."""
    named = os.environ.get("ADVISOR_SHOP", "")
    return f"{named} {os.environ.get('JUPYTER_RUNTIME_DIR', '')}" if named else ""


def invented() -> tuple[str, tuple[str, bytes]]:
    """The invented workshop: the file of its settings, and the name and content of its intake sheet."""
    folder = datasets() / "demo"
    return str(folder / "shop.toml"), ("intake.csv", (folder / "intake.csv").read_bytes())


def _of_capture(taken: Capture, name: str) -> Queued:
    """A captured unit; with the firmware that its kernel missed, the packages that ship it are said."""
    from advisor.drivers.asked import name_packages

    named = name_packages(taken)
    return Queued(named.unit, name, dict(named.unread))


def _of_sheet(sheet: Sheet) -> list[Queued]:
    """The rows of a sheet, each with what was not understood of it."""
    from advisor import intake

    if not len(sheet.raw):
        raise InputError(f"{sheet.name} has no rows below its header.", "Add a row a unit: its tag and its processor.")
    understood = intake.understand(sheet.raw)
    fields = dict(zip(understood.columns["header"], understood.columns["field"], strict=True))
    wrong: dict[int, dict[str, list[str]]] = {}
    for row in understood.problems.to_dict("records"):
        name = fields.get(row["column"])
        if isinstance(name, str):
            told = f"{row['problem']}; accepted: {row['accepted']}."
            wrong.setdefault(int(row["row"]) - 1, {})[name] = [str(row["value"]), told]
    return [
        Queued(unit_of(understood.units, at), f"{sheet.name}, row {at + 1}", wrong=wrong.get(at, {}))
        for at in range(len(understood.units))
    ]


@cache
def _spare_tables() -> None:
    """Spare the tables, once loaded, from the garbage collector: it took a tenth of a second of every other call."""
    gc.collect()
    gc.freeze()
