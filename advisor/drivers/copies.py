"""Which package files to copy to the stick before work starts, with their sizes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from advisor.drivers.frames import DeviceVerdicts
from advisor.drivers.verdict import place_of
from advisor.shop import Image


def stick(verdicts: DeviceVerdicts, images: Sequence[Image]) -> pd.DataFrame:
    """List the firmware packages that each unit lacks on each image.

    Parameters
    ----------
    images : sequence of Image
        Those that the verdicts are about.

    Returns
    -------
    pandas.DataFrame
        A row a unit, image and package: row, image, package, version, area, size [bytes], file (name of the .deb as
        apt saves it), severity ('blocks' when a device is out without it, else 'degrades').
    """
    columns = ["row", "image", "package", "version", "area", "size", "file", "severity"]
    frame = verdicts.devices
    lacking = frame[(frame["firmware_packages"] != "").to_numpy(dtype=bool)]
    split = [str(names).split() for names in lacking["firmware_packages"]]
    counts = [len(names) for names in split]
    pairs = pd.DataFrame(
        {
            "row": np.repeat(lacking["row"].to_numpy(), counts),
            "image": np.repeat(lacking["image"].astype(str).to_numpy(dtype=object), counts),
            "package": [name for names in split for name in names],
            "severity": np.repeat(lacking["severity"].astype(str).to_numpy(dtype=object), counts),
        }
    )
    pairs = pairs.sort_values(["row", "image", "package", "severity"]).drop_duplicates(["row", "image", "package"])
    facts = []
    for image in images:
        table = place_of(image).firmware
        built = {str(package["name"]): str(package["architecture"]) for package in table.about.get("packages", [])}
        for package in table.packages:
            version = package.version.replace(":", "%3a")
            file = f"{package.name}_{version}_{built.get(package.name, 'all')}.deb"
            facts.append((image.name, package.name, package.version, package.area, package.size, file))
    known = pd.DataFrame(facts, columns=["image", "package", "version", "area", "size", "file"])
    found = pairs.merge(known, on=["image", "package"], how="left", validate="many_to_one")
    return found.reindex(columns=columns).reset_index(drop=True)
