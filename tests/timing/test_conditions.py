"""What a table of conditions may hold and what is taken where it is silent; limits and usual values are from memory."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor.errors import InputError
from advisor.timing.conditions import KINDS, LIMITS, MEASURED_PHASES, check_conditions, modelled, read_conditions

PLAIN: dict[str, Any] = {
    "decompress_mib_s": 50, "cores": 2, "disk_read_mib_s": 100, "disk_access_ms": 10, "link_mbps": 50,
    "image_bytes": 1e9, "installed_bytes": 2.5e9, "installed_files": 1e5, "extra_packages": 76, "extra_bytes": 4e7,
    "update_packages": 48, "update_bytes": 2e8,
}  # fmt: skip

# What no machine and no installation is beyond; from memory.
MAY_BE: dict[str, tuple[float, float]] = {
    "decompress_mib_s": (0.05, 1e4), "cores": (0.1, 4096), "disk_read_mib_s": (0.1, 1e5), "disk_access_ms": (1e-3, 1e4),
    "link_mbps": (0.05, 1e5), "image_bytes": (0, 1e12), "installed_bytes": (1e6, 1e13), "installed_files": (1, 1e9),
    "extra_packages": (0, 1e5), "extra_bytes": (0, 1e12), "update_packages": (0, 1e5), "update_bytes": (0, 1e12),
}  # fmt: skip


def checked(needed: bool = True, **change: Any) -> dict[str, Any]:
    return check_conditions(pd.DataFrame([PLAIN | change]), speeds_needed=needed).iloc[0].to_dict()


@pytest.mark.parametrize("name", MAY_BE)
def test_a_condition_is_within_its_limits_ends_included(name: str) -> None:
    low, high = MAY_BE[name]
    assert [checked(**{name: end})[name] for end in (low, high)] == [low, high]
    for beyond in (low - 0.01, high * 1.001, np.nan, "quick"):
        with pytest.raises(InputError, match=f"row 1, column {name}: .* is not a number from"):
            checked(**{name: beyond})


def test_conditions_are_these_in_this_order_and_phases_those_that_a_rehearsal_times() -> None:
    assert list(MAY_BE) == list(LIMITS)
    assert MEASURED_PHASES == ("format", "copy", "grow", "tasks", "boot", "refresh", "base", "updates", "sync")


@pytest.mark.parametrize("name", ["decompress_mib_s", "disk_read_mib_s", "disk_access_ms"])
def test_a_speed_may_be_unknown_where_it_is_not_asked_for(name: str) -> None:
    assert np.isnan(checked(needed=False, **{name: " "})[name])
    with pytest.raises(InputError, match="nothing is not a number"):
        checked(**{name: None})
    with pytest.raises(InputError, match="column link_mbps: nothing"):
        checked(needed=False, link_mbps=None)


def test_what_is_wrong_is_named_and_counted() -> None:
    rows = pd.DataFrame([PLAIN, PLAIN | {"cores": 0}, PLAIN | {"cores": "x" * 50}])
    with pytest.raises(InputError) as told:
        check_conditions(rows)
    assert told.value.message == "Conditions, row 2, column cores: '0' is not a number from 0.1 to 4096."
    assert told.value.hint == "2 cell(s) of this column are like this."
    with pytest.raises(InputError) as told:
        check_conditions(rows.iloc[:2].drop(columns="link_mbps"))
    assert told.value.message == "The conditions lack the column link_mbps."
    with pytest.raises(InputError, match="lack the columns cores, link_mbps"):
        check_conditions(rows.drop(columns=["link_mbps", "cores"]))


@pytest.mark.parametrize(
    ("said", "xz"),
    [({}, None), ({"xz": 1}, 1), ({"xz": 0, "compression": "xz"}, 0), ({"xz": "?"}, None), ({"compression": " XZ"}, 1),
     ({"compression": "lzma"}, 1), ({"compression": "zstd"}, 0), ({"compression": " "}, None),
     ({"compression": None}, None)],
)  # fmt: skip
def test_how_an_image_is_compressed(said: dict[str, Any], xz: float | None) -> None:
    """LZMA is what xz packs, and both take several times the processor time of the quicker kinds."""
    found = checked(**said)["xz"]
    assert np.isnan(found) if xz is None else found == xz


@pytest.mark.parametrize(
    ("said", "kind"),
    [({}, "live"), ({"installer": " Live"}, "live"), ({"installer": None}, "live"),
     ({"installer": "packages"}, "packages"), ({"installer": "text"}, "packages"),
     ({"installer": "clone"}, "clone"), ({"installer": "unpack"}, ""),
     ({"live": 0, "packages": 0, "clone": 1}, "clone")],
)  # fmt: skip
def test_the_kind_of_installer(said: dict[str, Any], kind: str) -> None:
    """'text' is what shops' files called the installer by packages; nothing said is Debian's live image."""
    found = checked(**said)
    assert [found[name] for name in KINDS] == [float(name == kind) for name in KINDS]
    assert modelled(pd.DataFrame([found])).tolist() == [kind != ""]


def test_a_kind_of_installer_that_is_none_is_named() -> None:
    with pytest.raises(InputError) as told:
        check_conditions(pd.DataFrame([PLAIN, PLAIN | {"installer": "Floppies"}]))
    assert told.value.message == "Conditions, row 2, column installer: 'floppies' is no kind of installer."
    assert told.value.hint == "There are: live, packages, clone."


@pytest.mark.parametrize(
    ("said", "mib"),
    [({}, 1024), ({"disk_gib": 59.6}, 256), ({"disk_gib": 63.9}, 256), ({"disk_gib": 64}, 512),
     ({"disk_gib": 119}, 512), ({"disk_gib": 128}, 1024), ({"disk_gib": 931}, 1024),
     ({"disk_gib": 931, "journal_mib": 4}, 4)],
)  # fmt: skip
def test_the_journal_is_as_large_as_the_disk_asks_for(said: dict[str, Any], mib: float) -> None:
    """Blocks of 4 KiB: 65,536 below 16,777,216, 131,072 below 33,554,432, else 262,144; e2fsprogs, mkjournal.c."""
    assert checked(**said)["journal_mib"] == mib


@pytest.mark.parametrize(
    ("edition", "lists"),
    [("GNOME", 1), ("KDE Plasma", 1), ("Cinnamon", 1), ("MATE", 0), ("Xfce", 0), ("LXQt", 0), ("LXDE", 0), (None, 1)],
)  # fmt: skip
def test_editions_whose_software_lists_are_read_after_each_refresh(edition: str | None, lists: float) -> None:
    """What `apt-get --simulate install task-EDITION-desktop` names of Debian 12: appstream or not; unknown: as with."""
    assert checked(edition=edition)["software_lists"] == lists
    assert checked(edition=edition, software_lists=0)["software_lists"] == 0


@pytest.mark.parametrize("name", ["write_share", "cache_mib", "slow_write_mib_s"])
def test_how_a_disk_writes_is_unknown_where_nobody_said(name: str) -> None:
    assert checked(**{name: 0.5})[name] == 0.5
    assert all(np.isnan(checked(**said)[name]) for said in ({}, {name: 0}, {name: "much"}))


@pytest.mark.parametrize(
    ("said", "plain"),
    [
        # Debian 12 and before ship plain kernel modules, 13 compressed ones (packages linux-image-*, names of .ko.xz).
        ({"release": "12"}, 1), ({"release": " 11 "}, 1), ({"release": "10"}, 1), ({"release": "13"}, 0),
        ({"release": "own"}, 0), ({"release": "13", "plain_modules": 1}, 1), ({"plain_modules": 0}, 0),
        # Nobody says: trees with plain modules shrank to 0.28 to 0.32 of their size, with packed ones to 0.40 to 0.44.
        ({"image_bytes": 0.32e9, "installed_bytes": 1e9}, 1), ({"image_bytes": 0.40e9, "installed_bytes": 1e9}, 0),
        ({"image_bytes": 0.359e9, "installed_bytes": 1e9}, 1), ({"image_bytes": 0.36e9, "installed_bytes": 1e9}, 0),
        ({"image_bytes": 0.32e9, "installed_bytes": 1e9, "release": ""}, 1),
        ({"image_bytes": 0.32e9, "installed_bytes": 1e9, "release": None}, 1),
        ({"image_bytes": 0.32e9, "installed_bytes": 1e9, "plain_modules": None}, 1),
    ],
)  # fmt: skip
def test_plain_kernel_modules_are_those_of_the_release(said: dict[str, Any], plain: float) -> None:
    assert checked(**said)["plain_modules"] == plain


def test_a_file_of_conditions_is_read_as_text(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_text("cores , link_mbps\n2, 050\n")
    assert read_conditions(path).to_dict("list") == {"cores": ["2"], "link_mbps": ["050"]}
    path.write_text("cores,link_mbps\n")
    with pytest.raises(InputError, match="has no rows"):
        read_conditions(path)


@pytest.mark.parametrize(("stated", "taken"), [(None, np.nan), ("", np.nan), (0, 0), (1, 1), (7, 1), (-1, 0)])
def test_whether_the_base_set_brings_a_library_is_yes_or_no_or_not_said(stated: object, taken: float) -> None:
    assert checked(base_libraries=stated)["base_libraries"] == pytest.approx(taken, nan_ok=True)
