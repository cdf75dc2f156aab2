"""What is known of every unit once the rooms below have spoken, in one place for flags, parts and the decision."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from advisor import tables
from advisor.columns import holds, present, texts
from advisor.shop import Shop
from advisor.unit import FormFactor, Support

if TYPE_CHECKING:
    from advisor.comfort import Ladder

PORTABLE = (FormFactor.LAPTOP, FormFactor.CONVERTIBLE, FormFactor.TABLET)
"""Form factors that are of little use without Wi-Fi."""


@dataclass(frozen=True)
class Facts:
    """Everything the decision rests on; all frames share one RangeIndex, a row a unit.

    Attributes
    ----------
    shop : Shop
    units : pandas.DataFrame
        Unit frame.
    processors : pandas.DataFrame
        From `identify.processors`.
    problems : pandas.DataFrame
        From intake: row (1-based), column, value, problem, accepted.
    chosen : pandas.DataFrame
        From `images.choose`.
    boots : pandas.DataFrame
        Units by images, True, False or NA; with the reasons in `boots_reason`.
    boots_reason : pandas.DataFrame
        Units by images, why an image does not boot; NA where it does.
    support : dict of str to numpy.ndarray
        Kind of device to units by images of support words.
    devices : pandas.DataFrame
        The verdicts on the image used, a row a device.
    all_devices : pandas.DataFrame
        The verdicts on every image.
    ladder : Ladder
        Comfort of every edition on the unit as it stands.
    elapsed_min : pandas.Series of float, optional
        Minutes the unit holds a slot [min], once they are predicted.
    """

    shop: Shop
    units: pd.DataFrame
    processors: pd.DataFrame
    problems: pd.DataFrame
    chosen: pd.DataFrame
    boots: pd.DataFrame
    boots_reason: pd.DataFrame
    support: Mapping[str, np.ndarray]
    devices: pd.DataFrame
    all_devices: pd.DataFrame
    ladder: Ladder
    elapsed_min: pd.Series[float] | None = None

    def __len__(self) -> int:
        return len(self.units)

    @cached_property
    def image_number(self) -> np.ndarray:
        """Position of the image used, -1 for none."""
        return self.chosen["number"].to_numpy()

    def support_of(self, kind: str) -> np.ndarray:
        """Support word of one kind of device on the image used.

        Parameters
        ----------
        kind : str
            Such as 'wireless'.

        Returns
        -------
        numpy.ndarray of object, shape (n_units,)
            A support word; None where there is no such device or no image.
        """
        matrix = self.support.get(kind)
        if matrix is None:
            return np.full(len(self), None, dtype=object)
        words = matrix[np.arange(len(self)), np.maximum(self.image_number, 0)].copy()
        words[self.image_number < 0] = None
        return words

    def blocked(self, kind: str, *supports: Support) -> np.ndarray:
        """Where a device of this kind has one of these support words and does nothing until it is cured.

        Parameters
        ----------
        kind : str
        *supports : Support

        Returns
        -------
        numpy.ndarray of bool, shape (n_units,)
        """
        rows = self.devices
        return self.having(rows["kind"].eq(kind) & rows["support"].isin(supports) & rows["severity"].ne("degrades"))

    def having(self, hit: pd.Series[bool]) -> np.ndarray:
        """Find the units that have at least one of some devices.

        Parameters
        ----------
        hit : pandas.Series of bool, shape (n_devices,)
            Over the rows of `devices`.

        Returns
        -------
        numpy.ndarray of bool, shape (n_units,)
        """
        out = np.zeros(len(self), dtype=bool)
        out[self.devices.loc[hit, "row"].to_numpy(dtype=int)] = True
        return out

    @cached_property
    def usual_memory_type(self) -> np.ndarray:
        """Memory type that most units of each one's microarchitecture take, such as 'DDR3'; None where two were common.

        From `datasets/advice/memory_types.csv`.
        """
        rows = tables.load("advice/memory_types").frame
        return texts(self.processors["cpu_microarch"].map(dict(zip(rows["microarch"], rows["type"], strict=True))))

    @cached_property
    def portable(self) -> np.ndarray:
        """Where the unit is carried about, so that Wi-Fi decides its use."""
        return holds(self.units["form_factor"].isin([str(form) for form in PORTABLE]))

    @cached_property
    def wireless_wanted(self) -> np.ndarray:
        """Where a Wi-Fi device is there, or ought to be."""
        return self.portable | present(self.support_of("wireless"))

    @cached_property
    def choice(self) -> pd.Series[str]:
        """The richest comfortable edition on the unit as it stands, NA for none."""
        return self.ladder.choice.reset_index(drop=True)

    def richness(self, editions: pd.Series[str]) -> np.ndarray:
        """Rank of editions in the shop's order of richness.

        Parameters
        ----------
        editions : pandas.Series, shape (n,)

        Returns
        -------
        numpy.ndarray of int, shape (n,)
            0 for the richest; the number of editions for NA.
        """
        order = {name: number for number, name in enumerate(self.shop.richness)}
        return editions.map(order).to_numpy(dtype="float64", na_value=len(order)).astype(int)
