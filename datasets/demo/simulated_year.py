"""Make the bench log of an invented workshop's year, for judging how the program learns. No number was measured.

The truth behind it is deliberately not the timing model's own form, or learning it would prove nothing:

* the machine minutes are the sums of `generate.py` beside this file (constants 'from memory'): what overlaps there is
  a plain maximum, the updates grow with the age of the image, and more cores help by a power;
* every model of PC has a factor of its own, and every spinning disk one for its wear, which no fact tells;
* hands-on minutes go by the technician, who also lets the machine wait: lognormal minutes that belong to no phase;
* in month 4 the shop changes to a new image, on which everything takes a tenth longer though its updates are few;
* in month 7 its link becomes 2.4 times as fast, but nobody changes the shop's setting;
* technician T, from month 3 on, takes a third longer than the others, and does two units in five;
* minutes are rounded to whole ones, some to five as people do, the hands-on ones are often not written down, and one
  row in two hundred is a slip: ten times too much, or a tenth.

`python datasets/demo/simulated_year.py SEED FILE` writes one as a CSV.
"""

from __future__ import annotations

import importlib.util
import sys
from datetime import date, timedelta
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd

UNITS = 600
FIRST_DAY = date(2025, 1, 6)
DAYS = 362
IMAGE_CHANGE = date(2025, 4, 7)
LINK_CHANGE = date(2025, 7, 7)
T_STARTS = date(2025, 3, 3)
BELIEVED_LINK = 25.0
LINK_GAIN = 2.4
NEW_IMAGE_FACTOR = 1.10
TECHNICIANS = {"K": 0.95, "M": 1.0, "T": 1.35}
MODEL_SD, WEAR_SD = 0.10, 0.15
SLIPS = 0.005


def _generator() -> ModuleType:
    """The demo log's generator, whose phases are used."""
    spec = importlib.util.spec_from_file_location("demo_generate", Path(__file__).with_name("generate.py"))
    if spec is None or spec.loader is None:
        raise ImportError("generate.py is missing")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def year(seed: int, units: int = UNITS) -> pd.DataFrame:
    """One year of an invented workshop.

    Parameters
    ----------
    seed : int
    units : int
        How many units, evenly over the working days.

    Returns
    -------
    pandas.DataFrame
        A row a unit, oldest first, columns as `advisor.benchlog.frame` gives them, and provenance.
    """
    made = _generator()
    draw = np.random.default_rng([20_250_106, seed])
    dice = made.Dice(seed * 7919 + 17)
    days = [FIRST_DAY + timedelta(days=number) for number in range(DAYS)]
    days = [day for day in days if day.weekday() < 5]
    own = {entry[:2]: float(np.exp(draw.normal(0, MODEL_SD))) for entry in made.MODELS}
    rows = []
    for number, place in enumerate(np.sort(draw.integers(0, len(days), units))):
        day = days[int(place)]
        maker, model, cpu, speed, cores, memories, disks, _ = dice.pick(made.MODELS, [one[-1] for one in made.MODELS])
        ram, disk = dice.pick(memories), dice.pick(disks)
        size = 30 if model == "t620" else dice.pick(made.DISKS[disk][2])
        link = BELIEVED_LINK * (LINK_GAIN if day >= LINK_CHANGE else 1.0) * dice.noise(0.12)
        new = day >= IMAGE_CHANGE
        image, since = ("debian-13", IMAGE_CHANGE) if new else ("debian-12", date(2024, 12, 1))
        people = [name for name in TECHNICIANS if name != "T" or day >= T_STARTS]
        technician = dice.pick(people, [2 if name == "T" else 1.5 for name in people])
        edition = made.edition_for(speed, ram, disk, dice)
        hands, machine = made.phase_minutes(
            speed, cores, disk, link, edition, (day - since).days / 30.4, TECHNICIANS[technician], dice
        )
        factor = own[(maker, model)] * (NEW_IMAGE_FACTOR if new else 1.0) * dice.noise(0.05)
        factor *= dice.noise(WEAR_SD) if disk == "spinning disk" else 1.0
        waiting = 3.0 * TECHNICIANS[technician] * dice.noise(0.8)
        elapsed = sum(hands.values()) + factor * sum(machine.values()) + waiting
        minutes = round(elapsed) if dice.even() < 0.6 else 5 * max(1, round(elapsed / 5))
        slip = dice.even()
        minutes = minutes * 10 if slip < SLIPS / 2 else max(1, minutes // 10) if slip < SLIPS else minutes
        outcome, reason = made.outcome_for(speed, ram, disk, edition, dice)
        rows.append({
            "asset_tag": f"SY-{number + 1:04d}", "date": day.isoformat(), "technician": technician, "maker": maker,
            "model": model, "cpu": cpu, "ram_gib": ram, "storage_kind": disk, "storage_gib": size,
            "link_mbps": BELIEVED_LINK, "image": image, "edition": edition,
            "hands_on_min": float(round(sum(hands.values()))) if dice.even() < 0.6 else np.nan,
            "elapsed_min": float(minutes), "outcome": outcome, "reason": reason or None, "provenance": "invented",
        })  # fmt: skip
    return pd.DataFrame(rows)


if __name__ == "__main__":
    year(int(sys.argv[1])).to_csv(sys.argv[2], index=False)
