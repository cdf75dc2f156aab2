"""Which of the shop's images a unit is prepared from."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from advisor.shop import Shop
from advisor.unit import Support

RANK: dict[str, int] = {
    Support.WORKS: 0,
    Support.UNKNOWN: 0,
    Support.NEEDS_FIRMWARE: 1,
    Support.NEWER_KERNEL: 2,
    Support.SEPARATE_DRIVER: 2,
    Support.NO_DRIVER: 3,
}
"""How much trouble a support word means when images are compared; unknown is the same on all of them."""

WEIGHT: dict[str, float] = {
    "storage": 1000,
    "graphics": 100,
    "wireless": 100,
    "ethernet": 10,
    "bluetooth": 1,
    "audio": 10,
}
"""How much a kind of device counts when images are compared."""

_CANNOT_BOOT = 1e9
_NOT_WANTED = 0.02
_NOT_ON_HAND = 0.5


def support_matrix(kinds: pd.DataFrame, kind: str, n_units: int, images: list[str]) -> np.ndarray:
    """Lay the support of one kind of device out as units by images.

    Parameters
    ----------
    kinds : pandas.DataFrame
        Columns row, image, kind, support, as `DeviceVerdicts.kinds` has them.
    kind : str
        Such as 'wireless'.
    n_units : int
    images : list of str

    Returns
    -------
    numpy.ndarray of object, shape (n_units, len(images))
        Support words; None where the unit has no device of that kind.
    """
    out = np.full((n_units, len(images)), None, dtype=object)
    some = kinds[kinds["kind"] == kind]
    column = pd.Categorical(some["image"], categories=images).codes
    seen = column >= 0
    out[some["row"].to_numpy()[seen], column[seen]] = some["support"].astype(object).to_numpy()[seen]
    return out


def choose(
    units: pd.DataFrame, boots: pd.DataFrame, kinds: pd.DataFrame, shop: Shop
) -> tuple[pd.DataFrame, Mapping[str, np.ndarray]]:
    """Choose the image for every unit: the wanted one, unless it cannot boot or another serves the devices better.

    An image named on the intake row is kept whenever it boots. When none is named, the shop's default is wanted, and
    another image that lies ready replaces it where a storage, graphics, network or sound device fares better.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, ...)
        A Unit frame.
    boots : pandas.DataFrame
        Units by images (positions by image names): True, False, or NA where it cannot be told.
    kinds : pandas.DataFrame
        `DeviceVerdicts.kinds`.
    shop : advisor.shop.Shop

    Returns
    -------
    chosen : pandas.DataFrame, shape (n_units, 5)
        `image_used` (NA when none boots), `image_wanted`, `named` (the row named an image of the shop),
        `foreign` (the row named an image the shop does not have), `number` (position of the image used, -1 for none).
    support : dict of str to numpy.ndarray
        For each kind of device that counts: units by images, as `support_matrix` gives it.
    """
    n_units = len(units)
    images = [image.name for image in shop.images]
    known = {name.casefold(): number for number, name in enumerate(images)}
    typed = units["image"].str.strip().str.casefold()
    asked = typed.map(known).to_numpy(dtype="float64", na_value=np.nan)
    named = ~np.isnan(asked)
    default = known[shop.default_image.casefold()]
    wanted = np.where(named, asked, default).astype(int)

    support = {kind: support_matrix(kinds, kind, n_units, images) for kind in kinds["kind"].unique()}
    cost = np.zeros((n_units, len(images)))
    for kind, weight in WEIGHT.items():
        if kind in support:
            words, inverse = np.unique(support[kind].astype(str), return_inverse=True)
            ranks = np.array([RANK.get(word, 0) for word in words], dtype=float)
            cost += weight * ranks[inverse].reshape(n_units, len(images))
    cost += _NOT_WANTED * np.arange(1, len(images) + 1)
    cost += np.array([0.0 if image.on_hand else _NOT_ON_HAND for image in shop.images])
    cost[np.arange(n_units), wanted] -= _NOT_WANTED * (len(images) + 1)
    cost[named, wanted[named]] -= _CANNOT_BOOT / 10
    cannot = (boots[images] == False).fillna(False).to_numpy(dtype=bool)  # noqa: E712  (NA must stay apart)
    cost[cannot] += _CANNOT_BOOT
    number = cost.argmin(axis=1)
    number[cannot.all(axis=1)] = -1

    names = np.array([*images, None], dtype=object)
    chosen = pd.DataFrame(
        {
            "image_used": pd.Series(names[number], dtype="string"),
            "image_wanted": pd.Series(names[wanted], dtype="string"),
            "named": named,
            "foreign": (typed.notna() & ~named).fillna(False).to_numpy(dtype=bool),
            "number": number,
        }
    )
    return chosen, support
