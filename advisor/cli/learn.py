"""`advisor learn`: learn from the bench log, judge what was learnt before it serves, and go back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from advisor.cli.screen import one_line, say
from advisor.cli.shared_options import a_file, option

if TYPE_CHECKING:
    from advisor.shop import Shop


EXAMPLE = "Example:  advisor learn --report"


def learn(
    log: Annotated[
        Path | None, a_file("The bench log, its own file or a CSV; else the user's own.", envvar="ADVISOR_LOG")
    ] = None,
    shop: Annotated[Path | None, option("The shop's settings (TOML), whose images the log names.")] = None,
    half_life: Annotated[float, option("Age in days at which a logged unit counts half.", min=1)] = 90.0,
    versions: Annotated[bool, option("List the versions of the timing model.", "--versions")] = False,
    use: Annotated[
        str | None, option("Let this version serve; 'shipped' is the one of the package.", metavar="VERSION")
    ] = None,
    drift: Annotated[bool, option("Say whether times have moved, which, and since when.", "--drift")] = False,
    thresholds: Annotated[bool, option("Say what the outcomes propose as comfort thresholds.", "--thresholds")] = False,
    apply: Annotated[
        bool, option("With --thresholds: write what is proposed into the --shop file.", "--apply")
    ] = False,
    report: Annotated[bool, option("Print how good the times are on rehearsals.", "--report")] = False,
    savings: Annotated[
        Path | None, a_file("Say what each way of working would save on the units of this intake sheet.")
    ] = None,
    rehearsals: Annotated[Path | None, a_file("Rehearsals to learn from; those that ship when left out.")] = None,
    out: Annotated[Path | None, a_file("Only fit the timing model and write it to this file.")] = None,
) -> None:
    """Learn times from the bench log; the new model serves only if it beats the one that does.

    Without an option it fits on the rehearsals and the bench log, compares the result with the serving model on the
    newest units of the log, each predicted by what was logged before it, says by how much it is better, and lets it
    serve if it is: the median error smaller by 10 % (by 20 % where the serving one has learnt from the log), not by
    luck, and coverage no worse. Every version is kept in the folder 'models' beside the log; --use goes back.

    --savings FILE reckons an intake sheet anew with one more way of working at a time, such as a preseeded installer,
    and says what it saves of hands and slot. Those that the shop has already, its file names under 'practices'.

    --report leaves out each class of disk, each edition and each level of processor in turn, fits the model on the
    rest and times what was left out, beside simple baselines; then says how far each assumption moves the minutes. It
    takes about two minutes.

    --out fits the model on the rehearsals, and on the bench log where one is named, and writes it as plain JSON; it
    does not serve.
    """
    from advisor.benchlog.database import default_path
    from advisor.errors import InputError
    from advisor.files import refuse_same
    from advisor.shop_file import the_shop
    from advisor.timing.versions import models_folder

    if apply and not (thresholds and shop):
        raise InputError("--apply goes with --thresholds and --shop FILE.", "It writes into that file.")
    path, folder = log or default_path(), models_folder(log)
    refuse_same(out, path, shop, rehearsals, savings)
    settings = the_shop(shop)
    if use is not None:
        _use(use, folder)
    if versions:
        _versions(folder)
    if drift:
        _drift(path)
    if thresholds:
        _thresholds(path, settings, shop if apply else None)
    if savings is not None:
        _savings(savings, path, settings)
    if report:
        _report(rehearsals)
    if out is not None:
        _fit(out, rehearsals, log, settings, half_life)
    if not (use or versions or drift or thresholds or savings or report or out):
        _learn(path, folder, settings, rehearsals, half_life)


def _learn(path: Path, folder: Path, shop: Shop, rehearsals: Path | None, half_life: float) -> None:
    from advisor.benchlog.learning import learn_from, lines, log_rows
    from advisor.errors import InputError
    from advisor.timing import fit, read_rehearsals

    if not path.exists():
        raise InputError(
            f"There is no bench log at {path}, so there is nothing to learn from.",
            "Log a unit with: advisor log add TAG --elapsed MINUTES. Or name a log with --log FILE.",
        )
    base = None if rehearsals is None else fit(read_rehearsals(rehearsals))
    for line in lines(learn_from(log_rows(path), folder, shop, base=base, half_life_days=half_life)):
        say(line)


def _use(name: str, folder: Path) -> None:
    from advisor.timing.versions import use

    model = use(name, folder)
    say(f"Version {model.version} serves: times {model.basis}.")


def _versions(folder: Path) -> None:
    from advisor.timing.versions import versions

    say(f"{'':<2}{'version':<9}{'learnt':<21}{'gate':<14}{'median error':<20}rests on")
    for one in versions(folder):
        gate = "" if one.accepted is None else "accepted" if one.accepted else "not accepted"
        found = [one.gate.get(f"median_{name}") for name in ("serving", "candidate")]
        error = "" if None in found else f"{found[0]:.1f} % -> {found[1]:.1f} %"
        note = f"  CANNOT SERVE: {one_line(one.problem)}" if one.problem else ""
        mark = "> " if one.serving else "  "
        learnt, basis = one_line(one.learnt.replace("T", " ")), one_line(one.basis)
        say(f"{mark}{one.name:<9}{learnt:<21}{gate:<14}{error:<20}{basis}{note}")
    say(f"'>' serves. Kept in {folder}; go back with: advisor learn --use VERSION")


def _drift(path: Path) -> None:
    from advisor.benchlog.drift import ALARM
    from advisor.benchlog.learning import drift_of
    from advisor.errors import InputError

    if not path.exists():
        raise InputError(f"There is no bench log at {path}.", "It is made when the first unit is logged.")
    found = drift_of(path)
    if not len(found.rows):
        say("No unit of the log carries what was predicted for it, so drift cannot be seen.")
        return
    inside = 100 * found.rows["inside"].mean()
    say(f"{len(found.rows)} units predicted by the version that serves; {inside:.0f} % within their interval.")
    say(found.sentence())
    say(f"Where times hold as predicted, drift is called wrongly less than once in {ALARM:g} units on average.")


def _thresholds(path: Path, shop: Shop, write: Path | None) -> None:
    from advisor.benchlog.learning import log_rows
    from advisor.benchlog.outcomes import proposals
    from advisor.shop_edit import set_thresholds

    found = proposals(log_rows(path), shop)
    for one in found:
        say(one.sentence())
    changes = {one.name: one.proposed for one in found if one.change}
    if write is None:
        if changes:
            say("Nothing is changed. To take it over: advisor learn --thresholds --shop FILE --apply")
        return
    if changes:
        kept = set_thresholds(write, changes)
        say(f"Written to {write}: {', '.join(f'{name} = {value:g}' for name, value in changes.items())}.")
        say(f"As it was before: {kept}.")
    else:
        say(f"{write} stays as it is.")


def _savings(sheet: Path, log: Path, shop: Shop) -> None:
    from advisor.advice import assess
    from advisor.advice.savings import sentences, units_a_month
    from advisor.benchlog.learning import log_rows
    from advisor.intake import read

    batch = assess(read(sheet), shop)
    month = units_a_month(log_rows(log)) if log.exists() else None
    for line in sentences(batch.savings(month)):
        say(line)
    units = f"{month:.0f} units a month, as the log has them" if month else "this sheet a month, as no log tells"
    say(f"All else as it is; the mean of the units that are prepared, {units}. Most of the hands first.")


def _report(rehearsals: Path | None) -> None:
    from advisor.timing import read_rehearsals, serving_model
    from advisor.timing.report import judge, lines
    from advisor.timing.review import plain_units, swing_lines, swings

    data = read_rehearsals(rehearsals)
    basis = serving_model().basis if rehearsals is None else f"from {len(data)} rehearsals"
    for line in lines(judge(data, basis=basis)):
        say(line)
    if rehearsals is None and (bounds := serving_model().physics.at_bound()):
        say(f"At the edge of what the fit allows: {'; '.join(bounds)}.")
    if rehearsals is None:
        units = plain_units()
        say("What the minutes assume, each alone from the end that a tenth lie below to that above: how far it moves")
        say(f"the machine's minutes of {len(units.elapsed_min)} plain units, the median of those that it moves.")
        for line in swing_lines(swings(units)):
            say(line)


def _fit(out: Path, rehearsals: Path | None, log: Path | None, shop: Shop, half_life: float) -> None:
    from advisor.benchlog.learning import log_rows
    from advisor.timing import fit, read_rehearsals
    from advisor.timing.log import fit_log

    model = fit(read_rehearsals(rehearsals))
    if log is not None:
        model = fit_log(model, log_rows(log), shop, half_life_days=half_life)
    model.save(out)
    say(f"Wrote {out}: times {model.basis}.")
