"""Screens and questions of the installers and of the first start, counted anew from Debian 13's own packages.

References: the installer's packages (archive area main/debian-installer, amd64), calamares, calamares-settings-debian,
gnome-tour, plasma-welcome, grub2-common, popularity-contest and tasksel of Debian 13, as they are when the test runs.
"""

from __future__ import annotations

import hashlib
import lzma
import os
import pty
import re
import select
import subprocess
import termios
import time
import urllib.request
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from advisor.errors import AdvisorError, ToolError
from advisor.lab.tables.apt import mirror_bases
from advisor.lab.tables.build import RECIPES, apt_of
from advisor.lab.tables.editions import TASKS, source_of
from advisor.shop import Edition
from advisor.timing.operations import keystrokes, screens

pytestmark = pytest.mark.outside

INDEX = "dists/trixie/main/debian-installer/binary-amd64/Packages.xz"

ONLY_WHEN = {
    "apt-setup/cdrom/set-first": "the medium is a set of discs",
    "apt-setup/no_mirror": "no mirror answers",
    "clock-setup/hwclock-wait": "the clock stands still",
    "grub-installer/bootdev": "the disk to start from was typed by hand",
    "grub-installer/choose_bootdev": "the firmware is not UEFI",
    "grub-installer/force-efi-extra-removable": "another system starts by UEFI too",
    "hw-detect/load_firmware": "firmware is missing from the medium",
    "keyboard-configuration/toggle": "the layout has two scripts",
    "apt-setup/mirror/error": "the mirror fails",
    "apt-setup/cdrom/media-change": "the medium is a set of discs",
}
"""Questions of high priority that a plain unit with UEFI, one disk and a cable is not asked."""

ASKERS = (
    "localechooser", "console-setup-udeb", "user-setup-udeb", "clock-setup", "hw-detect", "partman-auto",
    "apt-mirror-setup", "apt-cdrom-setup", "grub-installer", "finish-install",
)  # fmt: skip
"""Packages whose questions are asked by scripts, by name."""

NOT_SHOWN = {"error", "text", "title"}
"""Types of templates that ask nothing; notes are counted where the table has them."""

_ASKS = re.compile(r"(?:db_input|debconf_select) (?:high|critical) \"?([a-z][\w-]*/[\w/.-]+)")
_TEMPLATES = re.compile(r"^Template: (\S+)\nType: (\S+)", re.MULTILINE)


@pytest.fixture(scope="module")
def fetched(kept, missing) -> Callable[[str], Path]:
    """Function from the name of a package of the installer, or of the archive, to its files and control files."""
    cache = kept("debian") / "installer"
    cache.mkdir(exist_ok=True)
    listed: dict[str, dict[str, str]] = {}

    def installer_package(name: str) -> Path | None:
        base = mirror_bases()["Debian"]
        if not listed:
            with urllib.request.urlopen(f"{base}/{INDEX}", timeout=60) as answer:
                for stanza in lzma.decompress(answer.read()).decode().split("\n\n"):
                    fields = dict(re.findall(r"^([A-Za-z0-9-]+): (.*)$", stanza, re.MULTILINE))
                    listed[fields.get("Package", "")] = fields
        if name not in listed:
            return None
        file = cache / listed[name]["Filename"].rsplit("/", 1)[1]
        if not file.exists():
            with urllib.request.urlopen(f"{base}/{listed[name]['Filename']}", timeout=60) as answer:
                content = answer.read()
            assert hashlib.sha256(content).hexdigest() == listed[name]["SHA256"]
            file.write_bytes(content)
        return file

    def archive_package(name: str) -> Path:
        apt = apt_of(RECIPES["debian-13"], kept("debian"))
        if not (apt.folder / "apt.conf").exists():
            apt.update()
        return apt.download(apt.packages([name]))[0]

    def fetch(name: str) -> Path:
        folder = cache / name
        if not (folder / "DEBIAN").exists():
            try:
                file = installer_package(name) or archive_package(name)
            except (OSError, AdvisorError, LookupError) as error:
                missing(f"{name} of Debian 13: {error}")
            subprocess.run(["dpkg-deb", "-R", str(file), str(folder)], check=True)
        return folder

    return fetch


def templates(folder: Path) -> dict[str, str]:
    """Questions of a package with their types."""
    file = folder / "DEBIAN" / "templates"
    return dict(_TEMPLATES.findall(file.read_text(encoding="utf-8"))) if file.exists() else {}


def scripts(folder: Path) -> str:
    """All files of a package in one text, programs by their bytes as far as they are letters."""
    files = (one for one in folder.rglob("*") if one.is_file() and not one.is_symlink() and one.name != "templates")
    return "\n".join(one.read_bytes().decode("latin-1") for one in files)


@pytest.mark.parametrize("row", screens("text"), ids=lambda row: row["screen"])
def test_a_question_of_the_text_installer_is_asked(row, fetched):
    folder = fetched(row["package"])
    known = templates(folder)
    # The short list of countries is a template a language.
    named = row["screen"] if row["screen"] in known else next(iter(n for n in known if n.startswith(row["screen"])), "")
    assert known.get(named) == row["asked"], f"{row['screen']} of {row['package']} is {known.get(named)}"
    stem = row["screen"].rpartition("/")[2]
    assert stem in scripts(folder), "nothing of the package asks it"


@pytest.mark.slow
@pytest.mark.parametrize("package", ASKERS)
def test_no_question_of_the_text_installer_is_left_out(package, fetched):
    folder = fetched(package)
    known = templates(folder)
    asked = {one for one in _ASKS.findall(scripts(folder)) if known.get(one) not in NOT_SHOWN | {None, "note"}}
    counted = {row["screen"] for row in screens("text")}
    assert asked - counted - set(ONLY_WHEN) == set()


@pytest.mark.slow
def test_the_live_installer_shows_what_its_settings_say(fetched):
    text = (fetched("calamares-settings-debian") / "etc/calamares/settings.conf").read_text(encoding="utf-8")
    shown = [name for part in re.findall(r"^- show:\n((?: +- \w+\n)+)", text, re.MULTILINE)
             for name in re.findall(r"- (\w+)", part)]  # fmt: skip
    counted = list(dict.fromkeys(row["screen"] for row in screens("live")))
    assert counted == shown


def test_the_live_installers_fields_are_counted(fetched):
    settings = fetched("calamares-settings-debian") / "etc/calamares/modules/users.conf"
    assert re.search(r"^setRootPassword: +false", settings.read_text(encoding="utf-8"), re.MULTILINE)
    fields = set(re.findall(r"textBox\w+", scripts(fetched("calamares") / "usr/lib")))
    asked = {row["asked"] for row in screens("live") if row["screen"] == "users"}
    assert asked == {one for one in fields if "Root" not in one}


GREETERS = {"GNOME": "gnome-tour", "KDE Plasma": "plasma-welcome"}
"""What greets at the first login. Debian 13's lists of contents, searched on 2026-11-26 for entries of
etc/xdg/autostart that speak of welcome, first, initial or tour, name these, gnome-initial-setup, and packages that no
desktop's task brings."""


BROUGHT_BY = {"gnome-tour": ("gnome-core",), "plasma-welcome": ("kde-standard", "kde-plasma-desktop", "plasma-desktop")}
"""From a desktop's task to what recommends its greeter, package by package."""


@pytest.mark.slow
def test_what_greets_at_the_first_login(tmp_path, need, missing):
    """By apt-cache: two desktops' tasks bring a greeter, and none but those of some languages asks for an account."""
    need("apt-cache")
    try:
        source = source_of("13", "amd64", tmp_path)
    except ToolError as error:
        missing(f"the package index of Debian 13: {error}")

    def names(*words: str) -> set[str]:
        said = source.call("apt-cache", *words).stdout
        return set(re.findall(r"^[ |]*(?:Depends: |Recommends: )?([a-z0-9.+-]+)$", said, re.MULTILINE))

    asks = names("rdepends", "--no-suggests", "--no-breaks", "--no-conflicts", "--no-replaces", "gnome-initial-setup")
    by_language = re.compile(r"task-\w+(-\w)?-gnome-desktop")
    assert {name for name in asks - {"gnome-initial-setup"} if not by_language.fullmatch(name)} == set()
    for edition, greeter in GREETERS.items():
        chain = (TASKS[Edition(edition)], *BROUGHT_BY[greeter], greeter)
        for one, brings in pairwise(chain):
            assert brings in names("depends", one)
    counted = {row["kind"]: row["package"] for name in GREETERS for row in screens(f"first start {name}")}
    assert counted == {f"first start {edition}": package for edition, package in GREETERS.items()}


@pytest.mark.parametrize(("package", "file"), [
    ("gnome-tour", "usr/share/applications/org.gnome.Tour.desktop"),
    ("plasma-welcome", "usr/lib/x86_64-linux-gnu/qt6/plugins/kf6/kded/kded_plasma-welcome.so"),
])  # fmt: skip
def test_a_greeter_is_started_by_its_desktop(package, file, fetched):
    assert (fetched(package) / file).is_file()


def test_the_boot_menu_stands_five_seconds(fetched):
    text = (fetched("grub2-common") / "usr/share/grub/default/grub").read_text(encoding="utf-8")
    assert re.search(r"^GRUB_TIMEOUT=5$", text, re.MULTILINE)


KEPT_FIELDS = re.compile(r"^(Template|Type|Default|Choices|Description):", re.MULTILINE)

ASKS = """#!/bin/sh
. /usr/share/debconf/confmodule
for question in {questions}; do
    db_input critical "$question"
    echo "$question" >>{log}
    db_go
    db_get "$question"
    echo "answer $RET" >>{log}
done
"""


def in_english(text: str, wanted: set[str]) -> tuple[str, list[str]]:
    """The wanted templates without their translations, and their names in the order of the file."""
    out, names = [], []
    for stanza in re.split(r"\n\n+", text):
        name = next(iter(re.findall(r"^Template: (\S+)", stanza)), "")
        if name in wanted:
            fields = re.split(r"\n(?=\S)", stanza)
            kept = "\n".join(field for field in fields if KEPT_FIELDS.match(field))
            # What the installer finds on the unit fills the list: here it has two entries.
            out.append(re.sub(r"^Choices: .*[$]{.*$", "Choices: one, two", kept, flags=re.MULTILINE))
            names.append(name)
    return "\n\n".join(out) + "\n", names


def driven(folder: Path, questions: list[str], keys: dict[str, str]) -> tuple[list[str], dict[str, str]]:
    """Put questions to a person behind a terminal, who presses keys when asked; questions seen, and answers taken."""
    log, rc = folder / "log", folder / "rc"
    rc.write_text(
        "Config: configdb\nTemplates: templatedb\n\n"
        + "\n".join(f"Name: {n}\nDriver: File\nFilename: {folder / n}.dat\n" for n in ("configdb", "templatedb"))
    )
    script = folder / "person.config"
    script.write_text(ASKS.format(questions=" ".join(questions), log=log))
    script.chmod(0o755)
    log.write_text("")
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (400, 80))  # high enough for the longest list: no page is turned
    env = {
        **os.environ, "DEBIAN_FRONTEND": "teletype", "DEBIAN_PRIORITY": "high", "DEBCONF_SYSTEMRC": str(rc),
        "TERM": "dumb", "LC_ALL": "C", "LINES": "400", "COLUMNS": "80",
    }  # fmt: skip
    process = subprocess.Popen(
        ["setsid", "--ctty", "/usr/share/debconf/frontend", str(script)], stdin=theirs, stdout=theirs, stderr=theirs,
        env=env, start_new_session=False,
    )  # fmt: skip
    os.close(theirs)
    seen, until = 0, time.monotonic() + 150
    while process.poll() is None and time.monotonic() < until:
        if select.select([ours], [], [], 0.2)[0]:
            try:
                os.read(ours, 65536)
            except OSError:
                break
            continue
        lines = [line for line in log.read_text().splitlines() if not line.startswith("answer")]
        if len(lines) > seen:
            os.write(ours, keys[lines[seen]].encode())
            seen += 1
    process.kill()
    process.wait()
    os.close(ours)
    lines = log.read_text().splitlines()
    asked = [line for line in lines if not line.startswith("answer")]
    return asked, dict(zip(asked, [line[7:] for line in lines if line.startswith("answer")], strict=False))


@pytest.mark.slow
def test_a_person_at_the_front_end_presses_as_many_keys_as_are_counted(fetched, need, tmp_path):
    """The text installer's questions by debconf's own front end, to a scripted person who knows its keys.

    Debian package debconf, front end teletype: a text ends with Enter, a choice takes its number, a yes its letter,
    where the installer's own front end proposes an answer: one key more for each choice and for a yes that is proposed.
    The one question that is answered by marks is left out, as the one takes numbers where the other takes arrows.
    """
    need("/usr/share/debconf/frontend")
    need("setsid")
    rows = [row for row in screens("text") if row["asked"] != "multiselect"]
    named = {row["screen"]: row["screen"] for row in rows} | {"localechooser/shortlist": "localechooser/shortlist/en"}
    texts, found = [], set()
    for package in dict.fromkeys(row["package"] for row in rows):
        text, names = in_english(
            (fetched(package) / "DEBIAN" / "templates").read_text(encoding="utf-8"), set(named.values())
        )
        texts.append(text)
        found |= set(names)
    assert found == set(named.values())
    (tmp_path / "person.templates").write_text("\n".join(texts), encoding="utf-8")
    letter = {"boolean": "y", "select": "1"}
    keys = {named[row["screen"]]: row["typed"] + letter.get(row["asked"], "") + "\n" for row in rows}
    asked, answers = driven(tmp_path, [named[row["screen"]] for row in rows], keys)
    assert asked == [named[row["screen"]] for row in rows]
    assert answers["partman/confirm"] == "true"
    for row in rows:
        if row["typed"]:
            assert answers[named[row["screen"]]] == row["typed"]
    proposed = [row for row in rows if row["asked"] == "select" or row["screen"] == "popularity-contest/participate"]
    counted = sum(
        sum(int(n) for n in re.findall(r"(\d+) key", row["operators"])) + keystrokes(row["typed"]) for row in rows
    )
    assert sum(keystrokes(text) for text in keys.values()) == counted + len(proposed)
