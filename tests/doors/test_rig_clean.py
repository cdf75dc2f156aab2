"""Putting away what killed rehearsals left deletes what the rig signed, below its own folder, and nothing else."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from advisor.errors import InputError, ToolError
from advisor.lab import workplace
from advisor.lab.tables import build

DEAD = "advisor-rehearsal 4194305 1\n"
"""Signed by a process that cannot be: Linux numbers them up to 4194304 (proc(5), pid_max)."""


@pytest.fixture
def place(tmp_path: Path) -> workplace.Workplace:
    return workplace.open_workplace(tmp_path / "rig")


@pytest.fixture
def precious(tmp_path: Path) -> Path:
    """A folder outside the rig's."""
    folder = tmp_path / "precious"
    folder.mkdir()
    (folder / "letter").write_text("keep me")
    return folder


def kept(folder: Path) -> bool:
    return (folder / "letter").read_text() == "keep me"


def test_what_the_dead_left_goes_and_links_in_it_are_not_followed(place, precious):
    run = place.runs / "r1"
    (run / "deep").mkdir(parents=True)
    (run / "owner").write_text(DEAD)
    (run / "deep/link").symlink_to(precious)
    (run / "link").symlink_to(precious / "letter")
    assert workplace.clean(place) == [f"folder {run}"]
    assert not run.exists() and kept(precious)


def test_a_link_among_the_runs_is_not_followed_even_to_a_signed_folder(place, precious):
    (precious / "owner").write_text(DEAD)
    (place.runs / "r1").symlink_to(precious)
    assert workplace.clean(place) == []
    assert kept(precious)
    assert workplace.strangers(place) == [str(place.runs / "r1")]


@pytest.mark.parametrize(
    "owner", [None, "", "4194305 1\n", "somebody 4194305 1\n", "advisor-rehearsal x 1\n", DEAD + "more", "\xff"]
)
def test_what_the_rig_did_not_sign_stays_and_is_said(place, owner):
    run = place.runs / "r1"
    run.mkdir()
    (run / "letter").write_text("keep me")
    if owner is not None:
        (run / "owner").write_text(owner, encoding="latin-1")
    assert workplace.clean(place) == []
    assert kept(run) and workplace.strangers(place) == [str(run)]


def test_a_signature_that_is_a_link_or_a_pipe_is_none(place, tmp_path):
    (tmp_path / "note").write_text(DEAD)
    for name in ("linked", "piped"):
        (place.runs / name).mkdir()
    (place.runs / "linked/owner").symlink_to(tmp_path / "note")
    os.mkfifo(place.runs / "piped/owner")
    assert workplace.clean(place) == []
    assert len(workplace.strangers(place)) == 2


@pytest.mark.parametrize("name", ["runs", "trees", "images", "mirror"])
def test_a_folder_of_the_rig_that_is_a_link_stops_everything(place, precious, name):
    folder = place.root / name
    folder.rmdir()
    folder.symlink_to(precious)
    (precious / "r1").mkdir()
    (precious / "r1/owner").write_text(DEAD)
    with pytest.raises(InputError, match="is a link"):
        workplace.open_workplace(place.root)
    assert (precious / "r1/owner").exists()


def test_the_lock_is_no_way_to_empty_another_file(place, precious):
    (place.root / "lock").symlink_to(precious / "letter")
    with pytest.raises(OSError), workplace.alone(place):
        pass
    assert kept(precious)


def test_a_folder_that_others_may_write_to_is_not_used(place):
    place.runs.chmod(0o777)
    with pytest.raises(InputError, match="may be written to by others"):
        workplace.open_workplace(place.root)


def test_removing_a_link_is_refused_and_its_target_stays(tmp_path, precious):
    (tmp_path / "link").symlink_to(precious)
    with pytest.raises(ToolError, match="left alone"):
        workplace.remove(tmp_path / "link")
    with pytest.raises(ToolError, match="left alone"):
        workplace.remove(precious / "letter")
    assert kept(precious) and (tmp_path / "link").is_symlink()


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0, reason="not root")
def test_a_mount_in_a_signed_folder_is_taken_off_and_nothing_behind_it_deleted(place, precious):
    run = place.runs / "r1"
    (run / "point").mkdir(parents=True)
    (run / "owner").write_text(DEAD)
    if subprocess.run(["mount", "--bind", str(precious), str(run / "point")], capture_output=True).returncode:
        pytest.skip("mounts are not allowed here")
    workplace.clean(place)
    assert not run.exists() and kept(precious)


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0, reason="not root")
def test_a_mount_that_stays_stops_the_deletion(place, precious, monkeypatch):
    run = place.runs / "r1"
    (run / "point").mkdir(parents=True)
    (run / "owner").write_text(DEAD)
    if subprocess.run(["mount", "--bind", str(precious), str(run / "point")], capture_output=True).returncode:
        pytest.skip("mounts are not allowed here")
    with monkeypatch.context() as stuck:
        stuck.setattr(workplace, "_quiet", lambda command: False)
        stuck.setattr(workplace.time, "sleep", lambda seconds: None)
        with pytest.raises(ToolError, match="Still mounted"):
            workplace.clean(place)
    assert kept(precious) and (run / "owner").exists()
    workplace.clean(place)
    assert kept(precious) and not run.exists()


def test_unpacked_packages_begin_anew_only_where_they_were_begun_here(tmp_path, precious):
    with pytest.raises(InputError, match="holds other things"):
        build._renew(precious)
    (tmp_path / "link").symlink_to(precious)
    with pytest.raises(InputError, match="holds other things"):
        build._renew(tmp_path / "link")
    assert kept(precious)
    build._renew(tmp_path / "tree")
    (tmp_path / "tree/old").touch()
    build._renew(tmp_path / "tree")
    assert not (tmp_path / "tree/old").exists()
