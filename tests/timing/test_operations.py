"""Hands-on time from operations: published worked examples, what is counted, pace, parts, and what would save hands."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from advisor import tables
from advisor.advice import fixed
from advisor.lab.trees import BASE_SETS
from advisor.shop import Installer, Part, Practice, Shop, default_shop
from advisor.timing import operations
from advisor.timing.hands import hands_on, phase_table
from advisor.timing.operations import operators, steps
from advisor.unit import Unit, frame


def seconds(text: str, **instead: float) -> float:
    """Seconds of operators, some with another time."""
    known = operators()
    each = np.array([instead.get(name, one) for name, one in zip(known.names, known.seconds, strict=True)])
    return float(known.counts(text) @ each)


def test_the_worked_example_of_the_keystroke_level_model():
    """Card, Moran and Newell, CACM 23(7), 1980, 396-410: a word of five letters replaced, in two editors, K = 0.20 s.

    By line editor 4 M + 15 K = 8.4 s; by display editor 2 M + 8 K + 2 H + P = 6.2 s.
    """
    assert seconds("4 think + 15 key", key=0.20) == pytest.approx(8.4, abs=0.05)
    assert seconds("2 think + 8 key + 2 home + 1 point", key=0.20) == pytest.approx(6.2, abs=0.05)


def test_operators_of_the_keystroke_level_model():
    """The paper's table: average non-secretary typist 0.28 s a key, P 1.10, H 0.40, M 1.35."""
    found = {name: seconds(f"1 {name}") for name in ("key", "point", "home", "think")}
    assert found == {"key": 0.28, "point": 1.10, "home": 0.40, "think": 1.35}


def test_the_worked_example_of_basic_most():
    """A6 B6 G1 A1 B0 P3 A0 is 170 TMU, about 6 seconds, at 100,000 TMU an hour (a MOST data card; Zandin 2002)."""
    assert seconds("1 carry") == pytest.approx(170 * 3600 / 100_000, abs=1e-9)
    assert seconds("1 carry") == pytest.approx(6, abs=0.5)


def sequence_s(sequence: str) -> float:
    """Seconds of a sequence of BasicMOST: ten TMU an index, 100,000 TMU an hour."""
    return sum(int(part[1:]) for part in sequence.split()) * 10 * 3600 / 100_000


@pytest.mark.parametrize(
    ("sequence", "tmu", "seconds"),
    [
        ("A10 B6 G1 A10 B0 P1 A0", 280, 10.08),  # five steps, a small part from the floor, back, onto the table
        ("A6 B6 G1 A6 B0 P1 A0", 200, 7.2),  # the same from three steps away, a screwdriver
        ("A16 B6 G1 A1 B0 P1 A16", 410, 14.7),  # eight steps, a folder from the floor onto the counter, back
    ],
)
def test_worked_examples_of_a_textbook(sequence, tmu, seconds):
    """Groover, Work Systems and the Methods, Measurement, and Management of Work, 2007: MOST, problems 1 to 3.

    The table's rows go by the same rule (test_a_sequence_adds_up_to_its_seconds). The example of the metric for ease of
    disassembly (Vanegas and others 2016, 2018) was looked for and not found in full.
    """
    assert sequence_s(sequence) == pytest.approx(tmu * 0.036)
    assert sequence_s(sequence) == pytest.approx(seconds, abs=0.07)


CARD = {
    "A": {0, 1, 3, 6, 10, 16}, "B": {0, 3, 6, 10, 16}, "G": {0, 1, 3}, "P": {0, 1, 3, 6}, "M": {1, 3, 6, 10, 16},
    "X": {0}, "I": {0}, "F": {3, 6, 10, 16}, "L": {3, 6, 10, 16},
}  # fmt: skip
"""Index values of BasicMOST's data card that a row may use (Zandin, MOST Work Measurement Systems, 2002)."""


@pytest.mark.parametrize("row", tables.dicts("timing/operators"), ids=lambda row: row["operator"])
def test_a_sequence_adds_up_to_its_seconds(row):
    if row["sequence"]:
        parts = [(part[0], int(part[1:])) for part in row["sequence"].split()]
        assert all(index in CARD[letter] for letter, index in parts)
        assert float(row["seconds"]) == pytest.approx(sequence_s(row["sequence"]))
        # The rating scale of work study: 75 steady, 100 standard, 125 very fast.
        assert float(row["low"]) == pytest.approx(float(row["seconds"]) / 1.25, abs=0.001)
        assert float(row["high"]) == pytest.approx(float(row["seconds"]) / 0.75, abs=0.001)


def test_reading_and_walking():
    """Brysbaert 2019: 238 words a minute, most adults 175 to 300. Bohannon 1997: 1.272 to 1.462 m/s."""
    rows = {row["operator"]: row for row in tables.dicts("timing/operators")}
    word, metre = rows["word"], rows["metre"]
    assert [float(word[name]) for name in ("low", "seconds", "high")] == pytest.approx(
        [60 / 300, 60 / 238, 60 / 175], abs=0.0006
    )
    assert [float(metre[name]) for name in ("low", "seconds", "high")] == pytest.approx(
        [1 / 1.462, 2 / (1.272 + 1.462), 1 / 1.272], abs=0.0006
    )


def test_the_allowance_is_for_needs_fatigue_and_standing():
    """International Labour Office, Introduction to Work Study: 5 % personal needs, 4 % basic fatigue, 2 % standing."""
    assert pytest.approx(0.05 + 0.04 + 0.02) == operations.ALLOWANCE


def test_a_step_by_hand():
    """Open a terminal: Super, 'terminal', Enter; its title read, seen to be done; from the sources' figures."""
    at = steps().title.index("Open a terminal")
    keys, prepared, read = 2 + len("terminal"), 1 + 1, len(["Open", "a", "terminal"])
    expected = (keys * 0.28 + prepared * 1.35 + read * 60 / 238) * 1.11
    assert steps().seconds[at] == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("text", "keys"), [("apt", 3), ("Ab", 3), ("a & b", 6), ("~/.x", 5), ("", 0)])
def test_shift_is_a_key_of_its_own(text, keys):
    assert operations.keystrokes(text) == keys


# What is counted.


def words(text: str) -> int:
    return len(text.split())


def step_of(title: str) -> np.ndarray:
    """A step's own operators, without the reading of its title and the look at the end."""
    at = steps().title.index(title)
    return steps().counts[at] - operators().counts(f"{words(title)} word + 1 think")


def count_of(title: str, operator: str) -> float:
    return float(step_of(title)[operators().names.index(operator)])


def test_the_hand_over_checks_are_counted():
    title = "Go down the list of hand-over checks"
    tried = fixed.TRIED_CHECK.format(kinds=", ".join(fixed.ALWAYS_TRIED))
    assert count_of(title, "word") == sum(words(line) for line in (*fixed.CHECKS, tried))
    assert count_of(title, "think") == len(fixed.CHECKS) + 1


def test_the_base_set_is_that_of_the_rehearsals():
    at = steps().title.index("Install the usual programs and codecs")
    assert steps().typed[at] == "sudo apt install -y " + " ".join(BASE_SETS["codecs"])


def test_what_apt_says_is_counted():
    """The lines that apt ends with, as its own messages have them (Debian package apt, po/)."""
    upgradable = "48 packages can be upgraded. Run 'apt list --upgradable' to see them."
    done = "0 upgraded, 0 newly installed, 0 to remove and 0 not upgraded."
    assert words(upgradable) == words(done) == count_of("Read what it says", "word") == 12
    assert count_of("Read how it ended", "word") == count_of("Come back, read how it ended", "word") == 12


@pytest.mark.parametrize(
    ("kind", "screens"),
    [
        ("live", ["welcome", "locale", "keyboard", "partition", *["users"] * 5, "summary", "finished"]),
        ("first start GNOME", ["gnome-tour"]),
        ("first start KDE Plasma", ["plasma-welcome"]),
    ],
)
def test_screens_of(kind, screens):
    assert [row["screen"] for row in operations.screens(kind)] == screens


# What the table may hold.


def test_every_condition_is_one_that_a_unit_a_shop_or_an_image_has():
    found = hands_on(frame([Unit(asset_tag="1")]))
    assert found.done.shape == (1, len(steps().title))
    words = (word for text in steps().applies_when for word in re.split(r" [|&] ", text) if word)
    named = {word.removeprefix("not ") for word in words}
    assert named >= {str(one) for one in Practice if one not in (Practice.CACHE,)}


def test_every_phase_has_steps_in_order():
    rows = pd.DataFrame(tables.dicts("timing/operations"))
    assert set(rows["phase"]) == set(phase_table().names)
    for _, own in rows.groupby("phase"):
        assert own["step"].astype(int).tolist() == list(range(1, len(own) + 1))


def test_no_step_is_printed_with_a_condition_that_no_unit_can_meet():
    """Each step is done on some unit, in some shop."""
    units = frame([
        Unit(asset_tag=str(at), form_factor=form, notes=notes, storage_mode=mode, boot_mode=boot, wireless="Intel 8260")
        for at, (form, notes, mode, boot) in enumerate([
            ("laptop", "cracked lid", "raid", "uefi 32-bit"), ("desktop", None, None, None),
        ])
    ])  # fmt: skip
    seen = np.zeros(len(steps().title))
    for practices in ((), tuple(Practice)):
        for edition in ("GNOME", "KDE Plasma"):
            for image in Installer:
                shop = default_shop().model_copy(update={"practices": practices})
                images = tuple(one.model_copy(update={"installer": image}) for one in shop.images)
                shop = shop.model_copy(update={"images": images})
                done = hands_on(
                    units, pd.Series([True, True]), editions=pd.Series([edition] * 2),
                    images=pd.Series(["debian-13"] * 2),
                    shop=shop,
                ).done  # fmt: skip
                seen += done.sum(axis=0)
    assert not [title for title, count in zip(steps().title, seen, strict=True) if not count]


# Units.


def of(shop: Shop | None = None, edition: str = "Xfce", firmware: bool = False, **facts):
    base = {
        "cpu": "any", "ram_gib": 8, "storage_kind": "sata ssd", "storage_gib": 240, "boot_mode": "uefi 64-bit",
        "form_factor": "laptop",
    }  # fmt: skip
    units = frame([Unit(asset_tag="1", **{**base, **facts})])
    return hands_on(
        units, pd.Series([firmware]), editions=pd.Series([edition]), images=pd.Series(["debian-13"]), shop=shop
    )


def minutes(**facts) -> float:
    return float(of(**facts).minutes.sum())


@pytest.mark.parametrize(
    ("more", "facts"),
    [
        ("open facts", {"ram_gib": None}), ("notes", {"notes": "lid cracked"}),
        ("raid mode", {"storage_mode": "raid"}), ("32-bit start", {"boot_mode": "uefi 32-bit"}),
        ("firmware", {"firmware": True}), ("GNOME", {"edition": "GNOME"}),
    ],
)  # fmt: skip
def test_what_lengthens_the_work(more, facts):
    assert minutes(**facts) > minutes()


def test_each_open_fact_takes_its_time():
    one, two = minutes(ram_gib=None), minutes(ram_gib=None, storage_gib=None)
    assert two - one == pytest.approx(one - minutes())


@pytest.mark.parametrize("practice", [one for one in Practice if one is not Practice.CACHE])
def test_each_way_of_working_saves_hands(practice):
    shop = default_shop().model_copy(update={"practices": (practice,)})
    facts = {"firmware": practice is Practice.FIRMWARE_STICK}
    assert minutes(shop=shop, **facts) < minutes(**facts)


def test_whoever_has_two_units_does_not_stand_by():
    shop = default_shop().model_copy(update={"practices": (Practice.SIDE_BY_SIDE,)})
    assert of().wait.sum() > 0
    assert of(shop=shop).wait.sum() == 0


def test_standing_by_is_hands_on_and_lengthens_nothing():
    found = of()
    for scale in (0.0, 0.1, 1.0, 20.0):
        work = np.full(found.minutes.shape, scale)
        busy, under, wait = found.beside(work)
        assert (wait <= work - under + 1e-9).all()
        assert (under <= busy + 1e-9).all()
        assert (busy + wait + work - (under + wait)).sum() == pytest.approx((busy + work - under).sum())


def test_a_shops_pace_moves_the_hands_and_not_the_waits():
    found = of()
    work = np.full(found.minutes.shape, 10.0)
    slow, plain = found.at_pace(2.0).beside(work), found.beside(work)
    assert slow[0].sum() == pytest.approx(2 * plain[0].sum(), abs=0.1 * plain[0].size)
    assert slow[2].sum() == plain[2].sum()


@pytest.mark.parametrize(("shop", "fitting"), [(1.0, 1.0), (1.44, 1.2), (2.1, 1 / 0.75), (0.81, 0.9), (0.5, 0.8)])
def test_a_shops_pace_moves_a_fitting_by_half_and_within_reason(shop, fitting):
    """Paces go together by half (from memory), and lie within 75 and 125 of the rating scale of work study (ILO 1992).

    A shop that takes 2.1 times the tables' minutes over screens and talk is not believed to take 2.1 times as long over
    adhesive and screws.
    """
    plain = hands_on(frame([Unit(asset_tag="1")] * 2), part_min=pd.Series([60.0, 0.0]), remembered=pd.Series([15.0, 0]))
    paced = plain.at_pace(shop)
    fitted, other = paced.minutes.sum(axis=1)
    assert fitted - other == pytest.approx(60 * fitting)
    assert other == pytest.approx(shop * plain.minutes[1].sum())
    assert paced.fit.tolist() == pytest.approx([60 * fitting, 0])
    assert paced.remembered[0] == pytest.approx(shop * plain.remembered[1] + 15 * fitting)
    # Half as long again is a tenth of fittings, at whatever pace: 40 %.
    of_fit = 60 * fitting * 0.4 / 1.2815515655446004
    assert paced.spread[0] == pytest.approx(np.hypot(shop * plain.spread[1], of_fit))
    assert paced.spread_with(0.1)[0] == pytest.approx(np.hypot(0.1 * other, of_fit))


def test_one_persons_pace_runs_through_the_steps():
    """Variance of a sum of equal parts: n + n (n - 1) / 2 of each part's, where any two go together by half."""
    assert operations.pace_variance(np.ones((1, 4)))[0] == pytest.approx(4 + 4 * 3 * 0.5)
    found = of()
    apart = np.sqrt((0.21 * found.minutes) ** 2).sum() / np.sqrt(steps().seconds.size)
    assert found.spread[0] > apart
    assert 0.1 < found.spread[0] / found.minutes.sum() < 0.4


def test_little_of_a_plain_units_hands_is_from_memory():
    found = of()
    assert 0 < found.remembered[0] < 0.1 * found.minutes.sum()


# Parts.


def fit(box: str, *parts: Part, out: int = 0) -> float:
    from advisor.advice.parts import Shelf, fit_minutes

    kinds = {"memory": "module", "ssd": "ssd", "wireless": "adapter"}
    table = {"module": np.array([-1]), "modules": np.array([0]), "ssd": np.array([-1]), "adapter": np.array([-1]),
             "out": np.array([out])}  # fmt: skip
    for at, part in enumerate(parts):
        table[kinds[part.kind]] = np.array([at])
        table["modules"] = table["modules"] + (part.kind == "memory")
    return float(fit_minutes(Shelf(parts, np.ones(len(parts))), table, np.array([box], dtype=object))[0][0])


MODULE, DISK = (
    Part(name="m", kind="memory", fits="DDR4 SODIMM", gib=8),
    Part(name="d", kind="ssd", fits="sata", gib=223),
)
STICK = Part(name="w", kind="wireless", fits="usb")


def test_modules_that_come_out_take_a_pull_and_a_hand_each():
    # MOST: pulled out, 6 indices, and laid aside, 4 (A1 B0 G3 A1 B0 P1 A0 and A1 B0 G1 A1 B0 P1 A0) of ten TMU, 0.036 s
    # each: 3.6 s, and the allowance.
    assert fit("laptop", MODULE, out=2) - fit("laptop", MODULE) == pytest.approx(
        2 * 3.6 * (1 + operations.ALLOWANCE) / 60
    )


def test_a_box_is_opened_once():
    both, one, other = fit("laptop", MODULE, DISK), fit("laptop", MODULE), fit("laptop", DISK)
    opening = float(operations.opening_min(np.array(["laptop"], dtype=object))[0, 0])
    assert both == pytest.approx(one + other - opening)


def test_boxes_by_how_long_they_take():
    """Common practice, no source: a latch, a thumbscrew, screws and clips, all of it taken apart, glue."""
    order = ["server", "small desktop", "desktop", "thin client", "laptop", "convertible", "hard-to-open", "glued"]
    took = [fit(box, MODULE) for box in (*order, "glued-screen")]
    assert took == sorted(took) and len(set(took)) == len(took)


def test_what_is_plugged_in_opens_no_box():
    assert fit("glued-screen", STICK) == fit("desktop", STICK) < 0.2


def test_the_shops_own_minutes_hold():
    own = DISK.model_copy(update={"fit_min": 12.0})
    assert fit("laptop", own) == fit("desktop", own) == 12
    assert fit("glued", own) > 12 + 20


def test_every_usual_part_is_fitted_by_a_row():
    from advisor.advice.parts import usual_parts

    assert {operations.part_name(part.kind, part.fits) for part in usual_parts()} <= set(operations.PARTS)
    rows = {row["name"] for row in tables.dicts("timing/fitting") if row["what"] == "part"}
    assert rows == set(operations.PARTS)


def test_a_trap_of_the_fitting_is_a_trap_that_is_known():
    kinds = {row["code"] for row in tables.dicts("identify/trap_kinds")}
    forms = {"laptop", "convertible", "tablet", "all-in-one", "desktop", "small desktop", "server", "thin client", ""}
    assert operations.boxes() - forms <= kinds


def test_sources_say_memory_or_where_from():
    for name in ("operators", "operations", "fitting", "screens"):
        for row in tables.dicts(f"timing/{name}"):
            assert re.match(r"counted: |common practice, no source|from memory|[A-Z]|a second", row["source"]), row
