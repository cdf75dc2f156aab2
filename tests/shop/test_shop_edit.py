"""Thresholds written into a shop's file: those values alone, whatever its layout, with the former file beside it."""

from __future__ import annotations

import stat
import tomllib
from pathlib import Path

import pytest

from advisor import shop_edit
from advisor.errors import InputError
from advisor.shop_edit import changed, set_thresholds
from advisor.shop_file import read_shop

STOCK = '[[stock]]\nname = "disk"\nkind = "ssd"\nfits = "sata"\ngib = 223\n'
LAYOUTS = {
    "plain": 'name = "x"\n[thresholds]\ndesktop_s = 30\nbrowser_s = 12\n',
    "dotted keys": 'name = "x"\nthresholds.desktop_s = 30\nthresholds.browser_s = 12\n',
    "dotted keys among others": 'thresholds.desktop_s = 30\nname = "x"\nthresholds.browser_s = 12\nslots = 2\n',
    "dotted, one of them missing": 'thresholds.desktop_s = 30\nname = "x"\n' + STOCK,
    "inline table": 'name = "x"\nthresholds = { desktop_s = 30, browser_s = 12 } # ours\nslots = 2\n',
    "inline table, empty": "thresholds = {}\n" + STOCK,
    "comments": "# above\n[thresholds] # as we like\ndesktop_s = 30 # half a minute\n# between\nbrowser_s = 12\n",
    "return and line feed": '# a\r\nname = "x"\r\n[thresholds]\r\ndesktop_s = 30 # b\r\n\r\n'
    + STOCK.replace("\n", "\r\n"),
    "return and line feed, no table": 'name = "x"\r\n',
    "byte order mark": '\ufeffname = "x"\n[thresholds]\ndesktop_s = 30\n',
    "table at the end": STOCK + "\n[thresholds]\nbrowser_s = 12",
    "no table": 'name = "x"\n',
    "no table and no line end": 'name = "x"',
    "no table behind an array of tables": STOCK + STOCK.replace("disk", "other"),
    "quoted keys": '["thresholds"]\n"desktop_s" = 30\n\'browser_s\' = 12\n',
    "quoted dotted keys": '"thresholds"."desktop_s" = 30\n',
    "indented": "  [thresholds]\n    desktop_s = 30\n    browser_s = 12\n  [[stock]]\n" + STOCK.split("\n", 1)[1],
    "array of tables before": STOCK + "[thresholds]\ndesktop_s = 30\nbrowser_s = 12\n" + STOCK.replace("disk", "b"),
    "spaces in the heading": "[ thresholds ]\ndesktop_s=30\nbrowser_s   =   12\n",
    "heading within a text": "name = '''\n[thresholds]\ndesktop_s = 1\n'''\n[thresholds]\ndesktop_s = 30\n",
    "empty table": "[thresholds]\n\n" + STOCK,
    "floats and signs": "[thresholds]\ndesktop_s = +3.0e1\nbrowser_s = 1_2.0\ncertainty = 0.8\n",
    "capitals": "[Thresholds]\nDesktop_S = 30\n",
    "nothing": "",
    "comments alone": "# a shop\n",
}


@pytest.mark.parametrize("text", LAYOUTS.values(), ids=LAYOUTS)
def test_the_wanted_values_change_and_nothing_else(tmp_path: Path, text: str) -> None:
    path = tmp_path / "shop.toml"
    path.write_bytes(text.encode())
    before = read_shop(path)
    kept = set_thresholds(path, {"desktop_s": 22.5, "browser_s": 9.0})
    after = read_shop(path)
    assert (after.thresholds.desktop_s, after.thresholds.browser_s) == (22.5, 9.0)
    assert after.model_copy(update={"thresholds": before.thresholds}) == before
    rest = after.thresholds.model_copy(update=before.thresholds.model_dump(include={"desktop_s", "browser_s"}))
    assert rest == before.thresholds
    assert kept.read_bytes() == text.encode()
    assert kept.parent == tmp_path


@pytest.mark.parametrize("text", LAYOUTS.values(), ids=LAYOUTS)
def test_comments_line_ends_and_the_mark_stay(tmp_path: Path, text: str) -> None:
    new = changed(text, {"browser_s": 9.0}, "x")
    for line in text.splitlines():
        comment = line.partition("#")[2]
        assert comment in new
    assert new.startswith("\ufeff") == text.startswith("\ufeff")
    if "\r\n" in text:
        assert new.count("\n") == new.count("\r\n")
    else:
        assert "\r" not in new


def test_every_other_line_stays_where_it_was():
    text = 'name = "x"\n# why\n[thresholds]\ndesktop_s = 30 # as we like it\n\n' + STOCK
    new = changed(text, {"desktop_s": 22.5}, "x")
    assert new == text.replace("= 30 #", "= 22.5 #")


def test_a_change_that_would_change_more_is_not_written(tmp_path, monkeypatch):
    path = tmp_path / "shop.toml"
    path.write_text('name = "x"\n')
    monkeypatch.setattr(shop_edit.tomlkit, "dumps", lambda _: 'name = "y"\n[thresholds]\nbrowser_s = 9\n')
    with pytest.raises(InputError, match="without changing more") as caught:
        set_thresholds(path, {"browser_s": 9.0})
    assert "browser_s = 9" in caught.value.hint
    assert [one.name for one in tmp_path.iterdir()] == ["shop.toml"]
    assert path.read_text() == 'name = "x"\n'


def test_a_value_that_is_not_acceptable_leaves_the_file_as_it_was(tmp_path):
    path = tmp_path / "shop.toml"
    path.write_text('name = "x"\n')
    with pytest.raises(InputError, match="browser_s"):
        set_thresholds(path, {"browser_s": -1.0})
    assert path.read_text() == 'name = "x"\n'
    with pytest.raises(ValueError, match="no thresholds"):
        set_thresholds(path, {"colour": 1})


def test_two_changes_keep_two_files_and_a_link_stays_one(tmp_path):
    real = tmp_path / "real.toml"
    real.write_text("[thresholds]\nbrowser_s = 12\n")
    link = tmp_path / "shop.toml"
    link.symlink_to(real)
    kept = {set_thresholds(link, {"browser_s": value}) for value in (9.0, 8.0)}
    assert len(kept) == 2
    assert link.is_symlink()
    assert tomllib.loads(real.read_text())["thresholds"]["browser_s"] == 8


@pytest.mark.parametrize("mode", [0o600, 0o640, 0o644])
def test_what_stood_before_is_kept_no_more_open_than_it_was(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "shop.toml"
    path.write_text("[thresholds]\ndesktop_s = 30\n")
    path.chmod(mode)
    kept = set_thresholds(path, {"desktop_s": 40})
    assert [stat.S_IMODE(one.stat().st_mode) for one in (path, kept)] == [mode, mode]
