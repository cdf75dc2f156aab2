"""The catalogue: complete, each figure with its source, and in a sensible order."""

from __future__ import annotations

import pandas as pd
import pytest

from advisor import editions
from advisor.advice import assess
from advisor.editions import measured
from advisor.editions.catalogue import lacking
from advisor.errors import TableError
from advisor.shop import Edition, Image, Shop, default_shop
from advisor.tables import dicts
from advisor.unit import Unit, frame

FIGURES = ["packages", "download_mib", "installed_mib", "installed_files", "min_ram_gib", "rec_ram_gib", "min_disk_gib"]


@pytest.fixture(scope="module")
def catalogue() -> pd.DataFrame:
    return editions.catalogue()


def test_every_edition_of_every_image_has_a_row(catalogue):
    for image in default_shop().images:
        rows = editions.rows_of(image)
        assert list(rows["edition"]) == list(image.editions)


def test_no_figure_is_missing_and_each_names_its_source(catalogue):
    assert catalogue[FIGURES].notna().all(axis=None)
    for name in (
        "session_mib",
        "browser_mib",
        "desktop_cpu_s",
        "browser_cpu_s",
        "desktop_read_mib",
        "browser_read_mib",
    ):
        assert catalogue[name].gt(0).all()
        assert catalogue[f"{name}_source"].str.len().gt(5).all()
    for name in ("footprint_source", "minimum_source", "graphics_source", "needs_gl"):
        assert catalogue[name].notna().all()


TASKS = {"GNOME": "gnome", "KDE Plasma": "kde", "Cinnamon": "cinnamon", "MATE": "mate", "Xfce": "xfce",
         "LXQt": "lxqt", "LXDE": "lxde"}  # fmt: skip


def test_least_and_recommended_are_the_installation_guides(catalogue):
    """Section 3.4, table 3.2, with a desktop: 1 GB of memory at the least, 2 GB recommended, 10 GB of disk."""
    shown = catalogue[["min_ram_gib", "rec_ram_gib", "min_disk_gib"]].drop_duplicates().to_numpy(dtype=float)
    assert shown.tolist() == [[1.0, 2.0, 9.31]] and round(10e9 / 2**30, 2) == 9.31
    for row in catalogue.itertuples():
        assert row.task == f"task-{TASKS[row.edition]}-desktop"
    for release, architecture in (("12", "amd64"), ("13", "amd64"), ("12", "i386")):
        rows = catalogue[catalogue["release"].eq(release) & catalogue["architecture"].eq(architecture)]
        assert rows["edition"].tolist() == list(TASKS)


def test_a_browser_takes_more_memory_than_the_idle_desktop(catalogue):
    assert catalogue["browser_mib"].gt(catalogue["session_mib"]).all()


def test_what_is_unpacked_is_more_than_what_is_fetched(catalogue):
    assert catalogue["installed_mib"].gt(catalogue["download_mib"]).all()


def test_the_callers_copy_is_their_own(catalogue):
    taken = editions.catalogue()
    taken.loc[0, "packages"] = 1
    assert editions.catalogue().loc[0, "packages"] != 1


def test_a_tree_of_debian_is_as_large_as_its_packages_are_many(catalogue):
    """An xz package unpacks to three to four times its size, and a desktop's is 2 to 3 MiB on average: from memory."""
    assert (catalogue["installed_mib"] / catalogue["download_mib"]).between(3, 4.2).all()
    assert (catalogue["installed_mib"] / catalogue["packages"]).between(2, 3).all()


def test_a_desktop_is_alike_on_both_architectures_and_in_both_releases(catalogue):
    """The same task on i386 differs by a few packages and smaller code; a release changes it by a quarter at most."""
    figures = ["packages", "download_mib", "installed_mib", "installed_files"]
    of = {key: rows.set_index("edition")[figures].astype(float)
          for key, rows in catalogue.groupby(["release", "architecture"])}  # fmt: skip
    near = {
        "packages": (0.98, 1),
        "download_mib": (0.98, 1.02),
        "installed_mib": (0.9, 1),
        "installed_files": (1, 1.02),
    }
    for name, (low, high) in near.items():
        assert (of["12", "i386"] / of["12", "amd64"])[name].between(low, high).all(), name
        assert (of["13", "amd64"] / of["12", "amd64"])[name].between(0.8, 1.25).all(), name


def test_a_figure_says_on_what_release_and_how_often_it_was_measured(catalogue):
    """Counted anew in the table of sessions: those that nothing held back, of the release itself or else of 13; work
    and reads from the login screen on.
    """
    measured_in = {"session_mib": "pss_mib", "desktop_read_mib": "read_mib", "desktop_reads": "reads",
                   "browser_mib": "pss_mib", "browser_cpu_s": "processor_s"}  # fmt: skip
    hindered = ("memory_limit_mib", "quota_pct", "disk")
    free = [row for row in dicts("comfort/sessions") if row["ok"] == "yes" and not any(row[one] for one in hindered)]
    for row in catalogue.itertuples():
        for name, figure in measured_in.items():
            stage = "browser" if name.startswith("browser") else "idle"
            own = [one for one in free if one["edition"] == row.edition and one["release"] == row.release
                   and (figure == "pss_mib" or one["begins"] == "greeter")]  # fmt: skip
            there = any(one["stage"] == stage and one[figure] for one in own)
            release = row.release if there else "13"
            runs = sum(one["release"] == release and one["edition"] == row.edition and one["stage"] == "idle"
                       and (figure == "pss_mib" or one["begins"] == "greeter") for one in free)  # fmt: skip
            assert getattr(row, f"{name}_source") == (
                f"measured on Debian {release}, {runs} run{'' if runs == 1 else 's'} (comfort/sessions)"
                + ("; the browser's part pooled over all editions" if stage == "browser" else "")
                + ("" if there else f"; taken for Debian {row.release}")
                + ("" if row.architecture == "amd64" else "; of amd64, taken as it stands")
            )


def test_what_the_catalogue_lacks_is_told_with_what_it_has():
    own = "A release or edition of your own goes into <user data folder>/tables/editions/catalogue.csv."
    assert lacking(Image(name="own", release="11", kernel="own")) == (
        "the catalogue has no editions of release 11 for amd64.",
        f"It has: 12 for amd64, 12 for i386, 13 for amd64. {own}",
    )
    assert lacking(Image(name="odd", release="13", kernel="debian-13", editions=("Sugar", "Xfce", "Budgie"))) == (
        "the catalogue has no Sugar and no Budgie of release 13 for amd64.",
        f"It has: Cinnamon, GNOME, KDE Plasma, LXDE, LXQt, MATE, Xfce. {own}",
    )


def test_an_image_that_the_catalogue_cannot_judge_is_an_error_that_says_what_there_is():
    with pytest.raises(TableError, match=r"'own': the catalogue has no editions of release own-1 for amd64.*13 for"):
        editions.rows_of(Image(name="own", release="own-1", kernel="own"))
    with pytest.raises(TableError, match=r"no Sugar of release 13 for amd64.*Xfce"):
        editions.rows_of(Image(name="odd", release="13", kernel="debian-13", editions=("Xfce", "Sugar")))


def test_a_shop_whose_image_the_catalogue_lacks_is_refused_before_a_unit_is_set_aside():
    shop = Shop(images=(Image(name="debian-13", release="own-1", kernel="debian-13"),))
    with pytest.raises(TableError, match="no editions of release own-1"):
        assess(frame([Unit(asset_tag="A", cpu="i5-6300U", ram_gib=8)]), shop)


def test_an_image_with_fewer_editions_has_only_those():
    image = Image(name="two", release="13", kernel="debian-13", editions=(Edition.LXQT, Edition.GNOME))
    assert list(editions.rows_of(image)["edition"]) == ["LXQt", "GNOME"]


def sessions(*rows: dict) -> pd.DataFrame:
    columns = [
        "release", "edition", "stage", "memory_limit_mib", "quota_pct", "disk", "ok", "processor_s", "pss_mib",
        "drawing_s", "read_mib", "reads", "begins", "host_mib_s",
    ]  # fmt: skip
    plain = {
        "release": "13",
        "edition": "Xfce",
        "stage": "idle",
        "ok": "yes",
        "begins": "greeter",
        "host_mib_s": "62",
    }
    return pd.DataFrame([plain | row for row in rows], columns=columns, dtype="string")


def test_only_unhindered_good_runs_count_and_the_median_is_taken():
    frame = sessions(
        {"processor_s": "4", "pss_mib": "300", "read_mib": "200"},
        {"processor_s": "5", "pss_mib": "310", "read_mib": "210"},
        {"processor_s": "9", "pss_mib": "340", "read_mib": "260"},
        {"processor_s": "90", "pss_mib": "900", "read_mib": "900", "ok": "no"},
        {"processor_s": "80", "pss_mib": "100", "read_mib": "950", "memory_limit_mib": "1024"},
        {"stage": "browser", "processor_s": "6", "pss_mib": "1200", "read_mib": "300"},
    )
    row = measured.unhindered(frame).loc[("13", "Xfce")]
    assert (row["session_mib"], row["browser_mib"], row["runs"]) == (310, 1200, 3)
    assert row["desktop_read_mib"] == 210


def test_work_and_reads_are_those_from_the_login_screen_on_and_memory_is_that_of_all():
    frame = sessions(
        {"processor_s": "4", "drawing_s": "1", "pss_mib": "300", "read_mib": "130", "reads": "3000"},
        {"processor_s": "6", "pss_mib": "320", "read_mib": "590", "reads": "13000", "begins": "cold"},
        {"edition": "MATE", "processor_s": "6", "pss_mib": "320", "read_mib": "590", "begins": "cold"},
    )
    found = measured.unhindered(frame)
    one = 62 / measured.anchor_mib_s()
    row = found.loc[("13", "Xfce")]
    assert (row["session_mib"], row["desktop_read_mib"], row["desktop_reads"]) == (310, 130, 3000)
    assert row["desktop_cpu_s"] == pytest.approx(4 * one) and row["desktop_draw_s"] == pytest.approx(one)
    assert (row["runs"], row["read_runs"]) == (2, 1)
    assert found.loc[("13", "MATE"), ["desktop_cpu_s", "desktop_read_mib"]].isna().all()
    assert found.loc[("13", "MATE"), ["runs", "read_runs"]].tolist() == [1, 0]


def test_the_browser_costs_the_same_on_every_edition():
    """The middle of what it adds, 900, 1000 and 1300 MiB, and of its own figures."""
    rows = pd.DataFrame({
        "session_mib": [300.0, 400.0, 500.0], "browser_mib": [1200.0, 1400.0, 1800.0],
        "browser_cpu_s": [4.0, 6.0, 5.0], "browser_read_mib": [200.0, 180.0, 300.0], "browser_reads": [9.0, 7.0, 8.0],
        "browser_draw_s": [0.4, 0.9, 0.5],
    })  # fmt: skip
    found = measured.pooled_browser(rows)
    assert found["browser_mib"].tolist() == [1300, 1400, 1500] and rows["browser_mib"].tolist() == [1200, 1400, 1800]
    for name, middle in (
        ("browser_cpu_s", 5),
        ("browser_read_mib", 200),
        ("browser_reads", 8),
        ("browser_draw_s", 0.5),
    ):
        assert found[name].tolist() == [middle] * 3


def test_the_browsers_work_is_each_editions_own():
    rows = [
        {"edition": name, "stage": stage, "processor_s": seconds, "pss_mib": "1", "read_mib": "1"}
        for name, seconds in (("Xfce", "4"), ("LXQt", "5"), ("MATE", "9"))
        for stage in ("idle", "browser")
    ]
    out = measured.unhindered(sessions(*rows))
    # Seconds on a processor of speed 1, of what took seconds where 62 MiB/s are decompressed.
    one = 62 / measured.anchor_mib_s()
    assert sorted(out["browser_cpu_s"]) == pytest.approx([4 * one, 5 * one, 9 * one])
    assert sorted(out["desktop_cpu_s"]) == pytest.approx([4 * one, 5 * one, 9 * one])


def test_processor_time_counts_by_the_speed_of_the_machine_it_was_measured_on():
    slow = measured.unhindered(sessions({"processor_s": "8", "pss_mib": "1", "read_mib": "1", "host_mib_s": "31"}))
    fast = measured.unhindered(sessions({"processor_s": "4", "pss_mib": "1", "read_mib": "1", "host_mib_s": "62"}))
    assert slow["desktop_cpu_s"].iat[0] == pytest.approx(fast["desktop_cpu_s"].iat[0])
