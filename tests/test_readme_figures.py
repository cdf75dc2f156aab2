"""Every figure of the README is counted anew from what ships, or carries the day it was measured and the command.

The held-out figures of the comfort model are taken from its file, which tests/comfort/test_model.py makes anew from the
sessions; those of the timing model are judged here.
"""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pandas as pd
import pytest

from advisor import tables
from advisor.comfort.model import COEFFICIENTS, Load, UnitSpeeds
from advisor.comfort.model import model as comfort_model
from advisor.editions.measured import anchor_mib_s, pooled_browser, unhindered
from advisor.files import datasets
from advisor.shop import Edition, Installer, Thresholds
from advisor.timing import read_rehearsals, serving_model
from advisor.timing.conformal import LEVEL
from advisor.timing.operations import steps
from advisor.timing.physics import TERMS
from advisor.timing.rates import assumed
from advisor.timing.report import OURS, WITHHELD, judge, noise

README = datasets().parent / "README.md"
WORDS = {2: "two", 3: "three", 4: "four", 5: "five", 6: "six", 7: "seven", 8: "eight"}

pytestmark = pytest.mark.skipif(not README.is_file(), reason="an installed package has no README beside it")


@cache
def text() -> str:
    """The README on one line, tables and code blocks left out."""
    plain = re.sub(r"```.*?```", "", README.read_text(encoding="utf-8"), flags=re.DOTALL)
    return " ".join(re.sub(r"^ *(?:\||!\[|<!--).*$", "", plain, flags=re.MULTILINE).split())


def rows_under(header: str) -> list[list[str]]:
    """Cells of the table whose first header is this."""
    lines = [line.strip() for line in README.read_text(encoding="utf-8").splitlines()]
    at = next(number for number, line in enumerate(lines) if line.startswith(f"| {header} |")) + 2
    cells = []
    while lines[at].startswith("|"):
        cells.append([cell.strip() for cell in lines[at].strip("|").split("|")])
        at += 1
    return cells


@cache
def report():
    return judge(read_rehearsals())


@cache
def sessions() -> pd.DataFrame:
    return tables.load("comfort/sessions").frame


def ours(column: str) -> list[float]:
    summary = report().summary
    return summary.loc[summary["method"] == OURS, column].tolist()


# Sentences of the README with their figures taken out, and what counts those figures anew.


def demo() -> list[str]:
    return [str(len(pd.read_csv(datasets() / "demo" / "intake.csv")))]


def rehearsals() -> list[str]:
    data = read_rehearsals()
    own = data.take(data.modelled)
    kinds = own.labels["installer"].value_counts()
    return [
        f"{100 * LEVEL:.0f}", str(len(own)), *(str(kinds[kind]) for kind in Installer), WORDS[len(noise(own))],
        f"{report().noise_floor_pct:.1f}",
    ]  # fmt: skip


def held_out_coverage() -> list[str]:
    return [f"{min(ours('coverage_pct')):.0f}", f"{max(ours('coverage_pct')):.0f}"]


def by_kind() -> list[str]:
    """Median errors with a class of disk left out, then with an edition; what packages' interval is wide."""
    found = report().kinds.set_index(["split", "installer"])["median_pct"]
    return [f"{found.at[split, kind]:.1f}" for split in ("disk", "edition") for kind in Installer]


def uneven() -> list[str]:
    """Coverage by class of disk over all that was left out."""
    rows = report().rows[report().rows["method"] == OURS]
    inside = rows["actual_s"].between(rows["low_s"], rows["high_s"]).groupby(rows["class"]).mean()
    return [f"{100 * inside[name]:.0f}" for name in ("spinning", "slow flash", "fast flash")]


def timing_bounds() -> list[str]:
    return [str(len(TERMS)), str(len(serving_model().about["at_bound"]))]


@cache
def demo_timing():
    from advisor import intake
    from advisor.advice import assess
    from advisor.shop_file import read_shop
    from advisor.timing import load_model

    place = datasets() / "demo"
    model = load_model(datasets() / "timing" / "model.json")
    return assess(intake.read(place / "intake.csv"), read_shop(place / "shop.toml"), model).timing


def founded() -> list[str]:
    """Medians over the demo's units that are prepared: what their minutes rest on, and their hands-on minutes."""
    timing = demo_timing()
    shares = 100 * timing.shares.dropna().astype(float).median()
    prepared = timing.hands_on_min.notna().to_numpy(dtype=bool)
    return [
        *(f"{shares[name]:.0f}" for name in ("published", "measured", "modelled", "memory")),
        f"{100 * np.median(timing._hands.by_heart[prepared]):.0f}", *counted(timing._hands.done[prepared]),
        f"{timing.hands_on_min.dropna().median():.1f}",
    ]  # fmt: skip


def counted(done: np.ndarray) -> list[str]:
    """Medians over units: share of their steps' seconds whose counts are counted, common practice, from memory."""
    table = steps()
    origin = np.array([source.split(":")[0].split(",")[0] for source in table.source])
    seconds = done * table.seconds
    return [
        f"{100 * np.median(seconds[:, origin == name].sum(axis=1) / seconds.sum(axis=1)):.0f}"
        for name in ("counted", "common practice", "from memory")
    ]


def thresholds() -> list[str]:
    plain = Thresholds()
    return [f"{plain.desktop_s:g}", f"{plain.browser_s:g}", f"{100 * plain.certainty:.0f}"]


def points() -> list[str]:
    rows = comfort_model().about["rows"]
    low, high = comfort_model().measured["memory_mib"]
    return [str(rows["points"]), f"{low:.0f}", f"{high / 1024:.0f}", str(rows["disturbed_points_left_out"])]


def comfort_errors() -> list[str]:
    about = comfort_model().about
    within = [100 * one["within_bound"] for one in about["stages"]]
    killed = about["killed"]
    assert killed["edition"] == killed["memory"] == killed["disk"] and killed["edition"]["called_comfortable"] == 0
    return [
        *(f"{100 * about['both'][way]:.1f}" for way in ("edition", "memory", "disk")), f"{min(within):.0f}",
        f"{max(within):.0f}", str(killed["edition"]["sessions"]),
    ]  # fmt: skip


def browser_on_a_disk() -> list[str]:
    """What the browser takes on common spinning and SATA solid-state disks, by the model's own middle figure."""
    limit, rates = Thresholds().browser_s, tables.load("timing/storage_rates").frame.set_index("kind")
    own = pooled_browser(unhindered(sessions()).astype(float)).loc[("13", "Xfce")]
    load = Load(*(
        np.array([own[name]]) * scale
        for name, scale in (
            ("browser_cpu_s", anchor_mib_s()), ("browser_read_mib", 1), ("browser_reads", 1), ("browser_mib", 1),
        )
    ))  # fmt: skip
    took = []
    for kind in ("spinning disk", "sata ssd"):
        disk = rates.loc[kind]
        # A processor of speed 1 with two cores, as in 2012, and enough memory.
        unit = UnitSpeeds(*(
            np.array([[float(one)]]) for one in (8192, anchor_mib_s(), 2, disk["read_mib_s"], disk["access_ms"])
        ))  # fmt: skip
        took.append(float(comfort_model().stages["browser"].seconds(unit, load)[0, 0]))
    assert took[1] < limit < took[0]
    return [*(f"{one:.1f}" for one in took), f"{limit:g}"]


def wide() -> list[str]:
    """Intervals over all that was left out: that span more than tenfold, in all, and how many of the others held."""
    rows = report().rows[report().rows["method"] == OURS]
    inside = rows["actual_s"].between(rows["low_s"], rows["high_s"])
    tenfold = rows["high_s"] > 10 * rows["low_s"]
    return [str(tenfold.sum()), str(len(rows)), f"{100 * inside[~tenfold].mean():.0f}"]


def given_up() -> list[str]:
    """Stages that never came up in time, and how many of them the bound foresees with their edition left out."""
    of = [one for one in comfort_model().about["stages"] if one["left_out"] == "edition"]
    return [str(sum(one[name] for one in of)) for name in ("given_up", "given_up_foreseen")]


def two_cores() -> list[str]:
    more = comfort_model().about["more_cores"]
    return [str(more["points"]), f"{more['measured_over_predicted']:.2f}"]


FIGURES = [
    (r"scores an invented workshop of (\d+) units", demo),
    (
        r"then conformal (\d+) % intervals, fitted on (\d+) rehearsals of whole systems: (\d+) copied by a live "
        r"session, (\d+) by packages, (\d+) cloned, .*; (\w+) were made twice and differ by ([\d.]+) %",
        rehearsals,
    ),
    (
        r"By kind of installer, live, packages and clone, the median is ([\d.]+), ([\d.]+) and ([\d.]+) % with the "
        r"class of disk left out, ([\d.]+), ([\d.]+) and ([\d.]+) % with the edition",
        by_kind,
    ),
    (r"8 of 10 is what the intervals aim at, and (\d+) to (\d+) of 100 what they held", held_out_coverage),
    (r"spinning disks in (\d+), eMMC and cards in (\d+), other flash in (\d+) of 100", uneven),
    (r"(\d+) of these (\d+) intervals span more than tenfold and say nothing, and of the others (\d+) of 100", wide),
    (r"Of the (\d+) coefficients (\d+) stand at zero", timing_bounds),
    (
        r"the median, (\d+) % are published, (\d+) % measured, (\d+) % modelled and (\d+) % from memory; "
        r"of the hands' own, standing by apart, (\d+) % are from memory: .* the counts of (\d+) % are counted, "
        r"of (\d+) % common practice, of (\d+) % from memory\. .* a median of ([\d.]+) hands-on minutes",
        founded,
    ),
    (r"\((\d+) s and (\d+) s, with (\d+) % certainty, unless the shop says otherwise\)", thresholds),
    (r"(\d+) points measured with (\d+) MiB to (\d+) GiB .*? \((\d+) more were disturbed", points),
    (
        r"median error is ([\d.]+) % for an edition, ([\d.]+) % for a memory size\s+and ([\d.]+) % for a disk never "
        r"seen, the upper bound holds in (\d+) to (\d+) of 100, and of (\d+) sessions",
        comfort_errors,
    ),
    (r"(\d+) points on two cores, which nothing is fitted on, took ([\d.]+) times what is predicted", two_cores),
    (r"Stages that never came up in time: (\d+), foreseen (\d+)", given_up),
    (r"takes ([\d.]+) s on a spinning disk and ([\d.]+) s on a SATA SSD .*? more than the (\d+) s", browser_on_a_disk),
]


@pytest.mark.slow
@pytest.mark.parametrize(("sentence", "counted"), FIGURES, ids=[counted.__name__ for _, counted in FIGURES])
def test_a_figure_of_the_readme_is_what_is_counted(sentence, counted):
    found = re.search(sentence, text())
    assert found is not None, "the README's sentence was changed: change the pattern with it"
    assert list(found.groups()) == counted()


@pytest.mark.slow
def test_the_table_of_held_out_times():
    splits = {"a class of disk": "disk", "an edition": "edition", "a level of processor": "processor"}
    written = rows_under("left out")
    assert [row[0] for row in written] == list(splits)
    for name, *cells in written:
        found = report().summary[report().summary["split"] == splits[name]].set_index("method")
        baselines = found.drop(index=[OURS, WITHHELD])["median_pct"]
        expected = [
            f"{found.at[OURS, 'median_pct']:.1f}", f"{found.at[OURS, 'worst_pct']:.0f}",
            f"{found.at[OURS, 'coverage_pct']:.0f}", f"{found.at[WITHHELD, 'median_pct']:.1f}",
            f"{baselines.min():.1f}",
        ]  # fmt: skip
        assert [cell.removesuffix(" %") for cell in cells] == expected, name


def session_rows() -> list[list[str]]:
    """The README's table of sessions, from the measured rows."""
    free = sessions()[sessions()["plan"].isna() & sessions()["ok"].eq("yes")].copy()
    figures = ["processes", "pss_mib", "processor_s"]
    free[figures] = free[figures].astype(float)
    free["processor_s"] = free["processor_s"].where(free["begins"].eq("greeter"))
    middle = free.groupby(["release", "edition", "stage"])[figures].median()
    reads = unhindered(sessions())
    rows = []
    for release in ("13", "12"):
        for edition in (one for one in Edition if (release, one) in reads.index):
            idle, browser = middle.loc[release, edition, "idle"], middle.loc[release, edition, "browser"]
            own = reads.loc[(release, edition)]
            work = [idle["processor_s"], browser["processor_s"]]
            read = [own["desktop_read_mib"], own["browser_read_mib"]]
            rows.append([
                release, str(edition), f"{idle['processes']:.0f}", f"{idle['pss_mib']:.0f}",
                f"{browser['pss_mib']:.0f}", *("–" if pd.isna(one) else f"{one:.1f}" for one in work),
                *("–" if pd.isna(one) else f"{one:.0f}" for one in read),
                f"{own['runs']:.0f} ({own['read_runs']:.0f})",
            ])  # fmt: skip
    return rows


def test_the_table_of_sessions():
    assert rows_under("release") == session_rows()


# Numbers that are no measurement: names of releases, levels and standards, exit codes, what a column may hold.
NO_FIGURES = (
    r"Python 3\.11", r"OM-\d+", r"debian-1[23]", r"\b1[23](?:-backports)?(?:'s 32-bit kernel)?\b", r"32-bit",
    r"\bF\d+\b", r"8 of 10", r"(?<= )\d\. (?=\*\*)", r"Exit codes: 0 done, .*? quietly with 141",
    r"(?:80|30) % (?:of a core|intervals)", r"[\w/]+\.(?:csv|toml|py|pdf|png|jsonl|md)", r"DSP0134", r"4 KiB",
)  # fmt: skip


def test_where_a_number_comes_from_is_there():
    """Each file stands where its cell says, beside the one before it when no folder is named, and has what is named."""
    rows = rows_under("on the sheet")
    assert len(rows) > 10
    for cell in (cell for row in [*rows, *rows_under("fact")] for cell in row[1:]):
        path = None
        for name in re.findall(r"`([^`]+)`", cell):
            if re.search(r"\.\w+$", name):
                folder = README.parent if "/" in name else path.parent
                (path, *_) = folder.glob(name)
            elif " " not in name and path is not None:
                # Of code where it is made, or told as a word, not where it is only used.
                made = rf"(?m)(?:def|class) {name}\b|^ *{name} *[:=]|\"{name}\""
                there = made if path.suffix == ".py" else rf"\b{name}\b"
                assert re.search(there, path.read_text(encoding="utf-8")), (path, name)


def test_the_table_says_which_minutes_are_measured_modelled_published_or_assumed():
    """As the tables themselves say of the figures that each rests on."""
    rows = {row[0]: row[-1] for row in rows_under("on the sheet")}
    (start,) = (cell for name, cell in rows.items() if "first boot" in name)
    (stick,) = (cell for name, cell in rows.items() if "start from the stick" in name)
    (fitted,) = (cell for name, cell in rows.items() if "copy (" in name)
    basis = {name: fact.basis for name, fact in assumed().items()}
    assert {basis[name] for name in ("restart_cpu", "restart_read", "extra_mib", "update_mib")} == {"measured"}
    assert basis["restart_wait"] == "published" and "**published**" in start and "**measured**" in start
    assert {basis[name] for name in ("medium_mib_s", "medium_read", "seal_work")} == {"memory"}
    assert stick.startswith("**assumed**") and all(f"`{name}`" in stick for name in ("medium_mib_s", "seal_work"))
    assert fitted.startswith("**modelled** on measured") and "**assumed**" in fitted
    assert {row["machine"] for row in tables.dicts("timing/phases")} == {
        "none", "copy", "refresh", "base", "updates", "start", "medium", "seal"
    }  # fmt: skip
    for name in ("hands-on minutes by phase", "seconds until desktop and browser"):
        (cell,) = (cell for title, cell in rows.items() if title.startswith(name))
        assert cell.startswith("**published**" if "hands" in name else "**modelled**")


def test_every_other_figure_carries_its_day():
    """What no pattern counts anew stands in a sentence with 'measured' and the day."""
    left = text()
    for sentence, _ in FIGURES:
        left = re.sub(sentence, "", left)
    left = re.sub(r"`[^`]*`", "", left)
    for pattern in NO_FIGURES:
        left = re.sub(pattern, "", left)
    bare = [
        one
        for one in re.split(r"(?<=[.:;])\s+(?=[A-Z`*-])", left)
        if re.search(r"\d", one) and not re.search(r"measured 20\d\d-\d\d-\d\d", one)
    ]
    assert not bare


def test_what_is_dated_names_a_command_that_is_there():
    dated = re.findall(r"[Mm]easured (20\d\d-\d\d-\d\d)", text())
    assert len(dated) == 6
    commands = re.findall(r"python (tests/benchmarks/\w+\.py)", text())
    assert len(commands) == 5
    for command in commands:
        assert (README.parent / command).is_file()


def test_coefficients_are_named_in_the_comfort_model():
    assert {one["coefficient"] for one in comfort_model().about["at_bound"]} <= set(COEFFICIENTS)
