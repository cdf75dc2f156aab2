"""`advisor demo`: the whole path on an invented workshop, in one command."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from advisor.cli.screen import say
from advisor.cli.shared_options import option
from advisor.files import make_folder

EXAMPLE = "Example:  advisor demo --out demo-output"


def demo(
    out: Annotated[Path, option("Folder for what is written; made when missing.", "--out", "-o")] = Path("demo-output"),
    tag: Annotated[str, option("Unit whose sheet is also shown here.")] = "OM-1003",
) -> None:
    """Score the 60 units of an invented workshop, and write the scored CSV and a sheet for every unit."""
    from advisor import intake, sheet
    from advisor.advice import assess
    from advisor.cli.score import summary, table
    from advisor.errors import InputError
    from advisor.files import datasets, write_whole
    from advisor.shop_file import read_shop
    from advisor.timing import serving_model
    from advisor.timing.log import fit_log, read_log

    here = datasets() / "demo"
    shop = read_shop(here / "shop.toml")
    model = fit_log(serving_model(), read_log(here / "bench_log.csv"), shop)
    result = assess(intake.read(here / "intake.csv"), shop, model)
    scored, tags = result.frame, result.tags
    if tag not in tags:
        raise InputError(f"The demo has no unit {tag}.", f"Its tags run from {tags[0]} to {tags[-1]}.")
    make_folder(out, "Name another with --out.")
    write_whole(out / "scored.csv", intake.safe_frame(scored).to_csv(index=False))
    sheets = list(result)
    write_whole(out / "sheets.pdf", sheet.render_pdf(sheets))
    write_whole(out / "sheet.html", sheet.render_html([sheets[tags.index(tag)]]))

    say(f"{shop.name}: {len(scored)} units. Everything in this demo but the hardware's names and ids is invented.\n")
    say(table(result))
    say(summary(scored))
    say(f"\nTimes are {result.timing.basis}.\n")
    say(sheet.render_text(sheets[tags.index(tag)], 100))
    say(f"\nWritten: {out}/scored.csv, {out}/sheets.pdf (a page a unit), {out}/sheet.html (unit {tag}).")
