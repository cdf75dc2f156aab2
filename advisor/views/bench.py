"""The state behind the triage view: the queue, the unit in view, and what each action does to them. No widgets here."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from advisor.errors import AdvisorError, InputError
from advisor.shop import Shop, default_shop
from advisor.unit import Capture, frame
from advisor.views.corrections import correct
from advisor.views.entries import Entry, Loaded, kept_of, kept_row, name_of, place_of, safe_name
from advisor.views.files_in import Sheet, read_file, scan
from advisor.views.findings import Findings, findings, named
from advisor.views.laps import Watches, titles
from advisor.views.log_port import LogPort, ShopLog, read_minutes
from advisor.views.markup import duration
from advisor.views.panels.queue import Place
from advisor.views.shelf import Kept, Shelf
from advisor.views.wording import LABELS

if TYPE_CHECKING:
    from advisor.advice import Assessment

MOST_AT_ONCE = 500
"""Most rows of a sheet that may join the queue at once."""


class Bench:
    """The queue and the unit in view.

    Parameters
    ----------
    shop : Shop, optional
    assess : callable, optional
        From a Unit frame and a shop to an Assessment; `advisor.advice.assess` when left out.
    take_capture : callable, optional
        The capture of this machine.
    log : LogPort, optional
    shelf : Shelf or None
        Where the queue is kept; None keeps nothing.
    """

    def __init__(
        self,
        shop: Shop | None = None,
        assess: Callable[[pd.DataFrame, Shop], Assessment] | None = None,
        take_capture: Callable[[], Capture] | None = None,
        log: LogPort | None = None,
        shelf: Shelf | None = None,
    ) -> None:
        self.shop = shop or default_shop()
        self._assess = assess or _assess
        self._take_capture = take_capture or _this_machine
        self.log = log or ShopLog()
        self.shelf = shelf
        self.entries: list[Entry] = []
        self.current: Entry | None = None
        self.assessment: Assessment | None = None
        self.row = 0
        self.found: Findings | None = None
        self.loaded: Loaded | None = None
        self.folder: Path | None = None
        self.narrow = ""
        self._seen: dict[str, tuple[int, int]] = {}
        self._next_key = 1

    def restore(self) -> None:
        """Bring back the queue of the last sitting.

        Raises
        ------
        InputError
            When what was kept cannot be read.
        """
        if self.shelf is not None:
            self._join(self.shelf.load(), show=-1)

    # -- where units come from ------------------------------------------------------------------------------------

    def capture_here(self) -> str:
        """Capture this machine and show it; says what was done."""
        taken = self._take_capture()
        self._add(taken, "this machine")
        unread = len(taken.unread)
        return "This machine was captured" + (f"; {unread} facts could not be read, each says why." if unread else ".")

    def blank(self) -> str:
        """Start a unit that will be typed in; says what to do."""
        self._join([Kept(origin="typed in")], show=0)
        return "A new unit. Type the asset tag, the processor, the memory and the disk; the verdict follows."

    def open_file(self, name: str, content: bytes) -> str:
        """Take a file handed in: a capture joins the queue, a sheet is listed for taking rows from it.

        Parameters
        ----------
        name : str
        content : bytes

        Returns
        -------
        str
            What was done.
        """
        got = read_file(name, content)
        if isinstance(got, Sheet):
            self.load_sheet(got)
            return f"{got.name}: {len(got.raw)} rows. Take one, or all."
        self._add(got, f"capture {name}")
        return f"{name} was read."

    def load_sheet(self, sheet: Sheet) -> None:
        """List the rows of an intake sheet."""
        from advisor import intake

        if not len(sheet.raw):
            raise InputError(
                f"{sheet.name} has a header but no rows.", "Add a row a unit, with at least its tag and processor."
            )
        understood = intake.understand(sheet.raw)
        units = understood.units
        name = units["maker"].fillna("").str.cat(units["model"].fillna(""), sep=" ").str.strip()
        listed = pd.DataFrame(
            {
                "row": range(len(units)),
                "asset_tag": units["asset_tag"].to_numpy(),
                "name": name.to_numpy(),
                "cpu": units["cpu"].to_numpy(),
            }
        )
        self.loaded = Loaded(sheet.name, understood, listed)

    def take_rows(self, rows: Iterable[int]) -> str:
        """Take rows of the loaded sheet into the queue; says what was done.

        Parameters
        ----------
        rows : iterable of int
            Positions, counted from 0.
        """
        if self.loaded is None:
            raise InputError("No sheet is loaded.", "Open an intake sheet first.")
        wanted = list(rows)
        count = len(self.loaded.listed)
        if any(not 0 <= row < count for row in wanted):
            raise InputError(f"The sheet has rows 1 to {count}.", "Take one of those.")
        if len(wanted) > MOST_AT_ONCE:
            raise InputError(f"{len(wanted)} rows are too many for the queue.", "Score them with the batch notebook.")
        self._join([kept_row(self.loaded, row) for row in wanted], show=0)
        return f"{len(wanted)} unit" + ("s" if len(wanted) > 1 else "") + f" of {self.loaded.name} joined the queue."

    def watch(self, folder: str) -> str:
        """Watch a folder for captures; says what was done."""
        path = Path(folder.strip()).expanduser()
        if not folder.strip() or not path.is_dir():
            raise InputError(
                f"{folder.strip() or 'Nothing'} is no folder here.",
                "Type the folder of the stick, such as /media/bench/STICK.",
            )
        self.folder, self._seen = path, {}
        return f"Watching {path}. " + self.look()

    def look(self) -> str:
        """Look into the watched folder once; says what came of it, '' for nothing new.

        Raises
        ------
        InputError
            Naming the files that could not be used, after all others were taken.
        """
        if self.folder is None:
            return ""
        taken: list[Kept] = []
        wrong: list[str] = []
        for one in scan(self.folder, self._seen):
            self._seen[one.path.name] = one.stamp
            try:
                got = read_file(one.path.name, one.path.read_bytes())
                if isinstance(got, Capture):
                    taken.append(kept_of(got, f"capture {one.path.name}"))
            except OSError as error:
                wrong.append(f"{one.path.name} cannot be read: {error.strerror}.")
            except AdvisorError as error:
                wrong.append(error.message)
        self._join(taken, show=-1)
        if wrong:
            raise InputError(" ".join(wrong), f"The other captures were taken ({len(taken)}). Capture that unit again.")
        return f"{len(taken)} new capture" + ("s" if len(taken) != 1 else "") + " joined the queue." if taken else ""

    def unwatch(self) -> str:
        """Stop watching."""
        self.folder = None
        return "The folder is no longer watched."

    # -- the unit in view -----------------------------------------------------------------------------------------

    def select(self, key: int) -> None:
        """Bring a unit into view and score it."""
        entry = next((one for one in self.entries if one.key == key), None)
        if entry is None:
            raise InputError("That unit is no longer in the queue.", "Choose another one.")
        self.current = entry
        self.score()

    def find(self, tag: str) -> str:
        """Bring the unit with a tag into view, as when the code on its sheet is scanned.

        Parameters
        ----------
        tag : str
        """
        wanted = tag.strip().casefold()
        self.narrow = ""
        exact = [one for one in self.entries if one.tag.casefold() == wanted and wanted]
        near = exact or [
            one for one in self.entries if wanted and wanted in f"{one.tag} {name_of(one.kept.unit)}".casefold()
        ]
        if not near:
            raise InputError(
                f"No unit in the queue has the tag {tag.strip()!r}." if wanted else "No tag was given.",
                "Capture the unit, or load the sheet it stands on.",
            )
        self.select(near[0].key)
        more = f" {len(near)} units fit; this is the first." if len(near) > 1 else ""
        return f"{near[0].tag or 'The unit'} is in view.{more}"

    def correct(self, name: str, typed: str) -> str:
        """Correct one fact of the unit in view; says what followed.

        Parameters
        ----------
        name : str
            A field of the Unit.
        typed : str
            As typed; blank means unknown.
        """
        entry = self._here()
        if name not in LABELS:
            raise InputError(f"A unit has no field {name!r}.")
        result = correct(entry.kept.unit, name, typed)
        problems = {key: value for key, value in entry.kept.problems.items() if key != name}
        if result.problem:
            entry.kept.problems = problems | {name: (typed, result.problem)}
            self._keep()
            raise InputError(
                f"{LABELS[name]}: {result.problem}", "The old value stays until the new one is understood."
            )
        moved = self._retag(entry, str(result.unit.asset_tag or "")) if name == "asset_tag" else 0
        entry.kept.unit, entry.kept.problems = result.unit, problems
        entry.kept.made, entry.page = False, ""
        self.score()
        self._keep()
        also = ", ".join(LABELS[one].lower() for one in result.also)
        twice = name == "asset_tag" and sum(one.tag == entry.tag != "" for one in self.entries) > 1
        return (
            f"{LABELS[name]} was changed."
            + (f" So were, since they follow from it: {also}." if also else "")
            + (f" Its stopwatches go with it ({moved})." if moved else "")
            + (" This tag stands on another unit of the queue too." if twice else "")
        )

    def _retag(self, entry: Entry, tag: str) -> int:
        """Give the stopwatches of the unit in view to its new tag, unless another unit may own them."""
        alone = sum(one.tag == entry.tag for one in self.entries) == 1
        return self.log.retag(entry.tag, tag) if alone and entry.tag and tag and tag != entry.tag else 0

    def score(self) -> None:
        """Score the unit in view."""
        entry = self._here()
        assessment = self._assess(frame([entry.kept.unit]), self.shop)
        self._view(assessment, 0)
        entry.short = named(assessment.scored, 0)

    def make_sheet(self) -> tuple[str, bytes]:
        """Make the sheet of the unit in view.

        Returns
        -------
        name : str
            File name to propose.
        pdf : bytes
        """
        from advisor import sheet

        entry = self._here()
        assert self.assessment is not None  # a unit in view is a scored one
        composed = sheet.compose(self.assessment, self.row)
        entry.page = str(sheet.render_html([composed]))
        pdf = sheet.render_pdf([composed])
        entry.kept.made = True
        self._keep()
        return f"{safe_name(entry.tag or 'unit')}-sheet.pdf", bytes(pdf)

    def log_minutes(self, values: Mapping[str, object]) -> str:
        """Log what the unit in view really took; says where it went."""
        entry = self._here()
        minutes = read_minutes(values)
        assert self.found is not None  # a unit in view is a scored one
        timed = self.found.phases
        phases = [named(timed, position) for position in range(len(timed))]
        where = self.log.add(entry.kept.unit, entry.short, phases, self.found.basis, minutes)
        entry.kept.logged = f"Logged: {duration(minutes.elapsed_min)} in the slot."
        entry.logging = False
        self._keep()
        return f"{duration(minutes.elapsed_min)} logged in {where}."

    # -- the stopwatches ------------------------------------------------------------------------------------------

    def watches(self) -> Watches:
        """What the stopwatches say: of the unit in view, and which run."""
        return self.log.watches(self.current.tag if self.current else "")

    def start(self, phase: str) -> str:
        """Start the stopwatch of the unit in view for a phase; says so."""
        entry = self._here()
        if phase not in titles():
            raise InputError(f"{phase!r} is no phase.", f"Phases: {', '.join(titles())}.")
        if not entry.tag:
            raise InputError(
                "The unit has no asset tag, and stopwatches go by the tag.", "Type the tag under 'What is known' first."
            )
        self.log.start(entry.tag, phase)
        return f"{titles()[phase]}: the stopwatch of {entry.tag} runs."

    def stop(self, tag: str, phase: str) -> str:
        """Stop a stopwatch of any unit; says how long it ran."""
        minutes = self.log.stop(tag, phase)
        return f"{titles().get(phase, phase)}: {minutes:.1f} min on the stopwatch of {tag}."

    def go_on(self) -> str:
        """Stop what runs for the unit in view and start the phase after it; says so."""
        entry, watches = self._here(), self.watches()
        following = watches.next_phase()
        stopped = [self.stop(entry.tag, one.phase) for one in watches.laps if one.minutes is None]
        started = self.start(following) if following else "That was the last phase."
        return " ".join([*stopped, started])

    def done(self) -> str:
        """Open the log form of the unit in view; its stopwatches are stopped, and what they counted stands in it."""
        entry = self._here()
        entry.logging = True
        return " ".join(self.stop(entry.tag, one.phase) for one in self.watches().laps if one.minutes is None)

    def remove(self) -> str:
        """Take the unit in view off the queue."""
        entry = self._here()
        place = self.entries.index(entry)
        self.entries.remove(entry)
        self._keep()
        self.current, self.found, self.assessment = None, None, None
        if self.entries:
            self.select(self.entries[min(place, len(self.entries) - 1)].key)
        return f"{entry.tag or 'The unit'} was taken off the queue; what was logged stays in the log."

    # -- the queue ------------------------------------------------------------------------------------------------

    def places(self) -> list[Place]:
        """The queue as it is shown."""
        return [place_of(one) for one in self.entries]

    def _here(self) -> Entry:
        if self.current is None:
            raise InputError("No unit is in view.", "Capture this machine, open a file, or type a unit in.")
        return self.current

    def _add(self, taken: Capture, origin: str) -> None:
        self._join([kept_of(taken, origin)], show=0)

    def _join(self, many: Sequence[Kept], show: int) -> None:
        """Score units, put them at the end of the queue, and bring one of them into view."""
        if not many:
            return
        assessment = self._assess(frame([one.unit for one in many]), self.shop)
        joined = []
        for kept, row in zip(many, assessment.scored.to_dict("records"), strict=True):
            joined.append(Entry(self._next_key, kept, {str(name): value for name, value in row.items()}))
            self._next_key += 1
        self.entries += joined
        self._keep()
        self.current = joined[show]
        self._view(assessment, range(len(joined))[show])

    def _view(self, assessment: Assessment, row: int) -> None:
        self.assessment, self.row, self.found = assessment, row, findings(assessment, row)

    def _keep(self) -> None:
        if self.shelf is not None:
            self.shelf.save([one.kept for one in self.entries])


def _assess(units: pd.DataFrame, shop: Shop) -> Assessment:
    from advisor.advice import assess

    out = assess(units, shop)
    _settle()
    return out


@cache
def _settle() -> None:
    """Once the tables are loaded, spare the garbage collector from looking them through again and again.

    They stay as long as the program does; looking through them took 0.1 s of every second correction.
    """
    gc.collect()
    gc.freeze()


def _this_machine() -> Capture:
    from advisor import capture

    return capture.take("/")
