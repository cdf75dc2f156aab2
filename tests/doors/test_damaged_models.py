"""Every model file, damaged in many ways: it predicts finite figures, or is refused with its name."""

from __future__ import annotations

import json
import os
import random
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor.comfort.model import STAGES, Load, UnitSpeeds, read_model
from advisor.errors import InputError, TableError
from advisor.files import datasets
from advisor.timing.conditions import CONDITIONS
from advisor.timing.model import TimingModel, load_model
from advisor.timing.versions import (
    LEVELS,
    POINTER,
    keep,
    pointed,
    read_levels,
    read_version,
    serving_model,
    use,
    versions,
)

WORDS: dict[str, Any] = {
    "a word": "gnorb", "a number as text": "1.5", "nothing": None, "a list": [], "a nested list": [[1]],
    "an object": {}, "yes": True, "minus": -1.0, "huge": 10**30, "minus huge": -(10**30), "a huge integer": 10**400,
}  # fmt: skip
"""What may stand in the place of any other thing."""


def places(content: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where something stands in a file: every key, and of a list the first and the last item."""
    if path:
        yield path
    keys = list(content) if isinstance(content, dict) else [0, len(content) - 1] if isinstance(content, list) else []
    for key in dict.fromkeys(keys):
        if not (isinstance(content, list) and not content):
            yield from places(content[key], (*path, key))


def with_change(content: Any, path: tuple[Any, ...], change: Callable[[Any, Any], None]) -> str:
    copy = json.loads(json.dumps(content))
    at = copy
    for key in path[:-1]:
        at = at[key]
    change(at, path[-1])
    return json.dumps(copy)


def changes(content: Any, each: int = 1) -> Iterator[tuple[str, str]]:
    """Every place of a file, or one of so many, others each time: taken away, and with each other thing in it."""
    for path in list(places(content))[random.randrange(each) :: each]:
        yield f"{path} gone", with_change(content, path, lambda at, key: at.pop(key))
        for what, word in WORDS.items():

            def put(at: Any, key: Any, word: Any = word) -> None:
                at[key] = word

            yield f"{path} {what}", with_change(content, path, put)


def wrecks(text: str) -> Iterator[tuple[str, bytes]]:
    """Whole files that are none."""
    for share in (0, 1, 10, 50, 99):
        yield f"cut at {share} %", text.encode()[: len(text) * share // 100]
    yield "twice", (text + text).encode()
    yield "UTF-16", text.encode("utf-16")
    yield "Latin-1", text.replace('"about"', '"\xe4bout"', 1).encode("latin-1")
    yield "a NUL", text.replace('"about"', '"about\x00"', 1).encode()
    yield "NaN", re.sub(r"\d+\.\d+", "NaN", text, count=1).encode()
    yield "infinity", re.sub(r"\d+\.\d+", "1e999", text, count=1).encode()
    yield "a key twice", text.replace('"about"', '"format": 1, "about"', 1).encode()
    yield "deep", b"[" * 100_000
    yield "deep in it", text.replace('"about": {', '"about": {"x": ' + "[" * 50_000 + "]" * 50_000 + ",", 1).encode()
    yield "another format", text.replace('"format": ', '"format": 9', 1).encode()
    yield "no object", b"[1, 2]"
    yield "a list about", b'{"format": 3, "about": []}'
    yield "noise", bytes(range(256)) * 10


def timing_file(tmp_path: Path) -> dict[str, Any]:
    """A small timing model in which every part says something."""
    content = json.loads((datasets() / "timing" / "model.json").read_text(encoding="utf-8"))
    content["seen"]["rows"] = content["seen"]["rows"][:4]
    content["log"] |= {"level": 0.2, "rows": 40, "effects": {"model": {"x": 0.1}}, "technicians": {"K": 1.2}}
    content["log"]["widths"] = {"overall": 1.1, "groups": {"nvme": 0.9}, "rows": 40}
    return content


CONDITION = pd.DataFrame(
    [[60.0, 2.0, 400.0, 0.1, 100.0, 3e9, 5e9, 1.2e5, 10.0, 2e7, 40.0, 2e8]], columns=list(CONDITIONS)
)


def timing_is_finite(model: TimingModel) -> None:
    told = model.predict_conditions(CONDITION)
    figures = told.select_dtypes("number").to_numpy(dtype=float)
    assert np.isfinite(figures[:, :-2]).all() or model.widths.overall == np.inf, told
    assert model.basis and model.version
    assert not np.isnan(model.log_widths(np.array(["nvme", "emmc"], dtype=object))).any()


def comfort_is_finite(model: Any) -> None:
    column = np.full((1, 1), 50.0)
    machine = UnitSpeeds(column * 30, column, column / 25, column * 4, column / 100)
    load = Load(*(np.array([300.0]) for _ in range(4)))
    for name in STAGES:
        assert np.isfinite(model.stages[name].seconds(machine, load)).all()
        assert not np.isnan(model.stages[name].factor(0.8))
    assert 0 <= model.kill.probability(column, np.array([300.0]))[0, 0] <= 1


def refused_or(path: Path, text: bytes, read: Callable[[Path], Any], used: Callable[[Any], None], what: str) -> bool:
    """Whether a file was refused; where it was not, it has to serve."""
    path.write_bytes(text)
    try:
        model = read(path)
    except TableError as error:
        assert str(path) in error.message and error.hint, (what, error)
        assert len(error.message) < 1500, what
        return True
    with np.errstate(all="ignore"):
        used(model)
    return False


@pytest.mark.parametrize("which", ["timing", "comfort"])
def test_a_wrecked_model_is_refused_by_name(tmp_path, which):
    text = (datasets() / which / "model.json").read_text(encoding="utf-8")
    read = {"timing": load_model, "comfort": read_model}[which]
    for what, wreck in wrecks(text):
        assert refused_or(tmp_path / "model.json", wreck, read, lambda model: None, what), what


@pytest.mark.slow
def test_a_timing_model_with_any_one_thing_changed_serves_or_is_refused(tmp_path):
    content, path = timing_file(tmp_path), tmp_path / "model.json"
    assert not refused_or(path, json.dumps(content).encode(), load_model, timing_is_finite, "as it is")
    some = changes(content, 3)
    assert sum(refused_or(path, text.encode(), load_model, timing_is_finite, what) for what, text in some) > 300


@pytest.mark.slow
def test_a_comfort_model_with_any_one_thing_changed_serves_or_is_refused(tmp_path):
    content = json.loads((datasets() / "comfort" / "model.json").read_text(encoding="utf-8"))
    path = tmp_path / "model.json"
    assert not refused_or(path, json.dumps(content).encode(), read_model, comfort_is_finite, "as it is")
    count = sum(refused_or(path, text.encode(), read_model, comfort_is_finite, what) for what, text in changes(content))
    assert count > 300


BEYOND_BELIEF = [
    (("level",), 1e-9), (("level",), 999.0), (("log", "level"), 9.0), (("log", "level"), -19.0),
    (("log", "hands_factor"), 1e-9), (("log", "hands_factor"), 999.0), (("log", "effects", "model", "x"), -19.0),
    (("log", "technicians", "K"), 1e-9), (("log", "paces"), {"K": {"prepare": 999.0}}),
    (("physics", "refresh", "terms", "fetch | wait | answer of the server"), 1e15),
]  # fmt: skip


@pytest.mark.parametrize("path, figure", BEYOND_BELIEF)
def test_minutes_that_nobody_could_believe_are_refused(tmp_path, path, figure):
    file = tmp_path / "model.json"

    def put(at: Any, key: Any) -> None:
        at[key] = figure

    file.write_text(with_change(timing_file(tmp_path), path, put))
    with pytest.raises(TableError, match=re.escape(path[-1])):
        load_model(file)


@pytest.mark.parametrize("what", ["folder", "pipe", "loop", "missing"])
def test_a_model_that_is_no_file_is_refused_and_nothing_hangs(tmp_path, what):
    path = tmp_path / "model.json"
    {"folder": os.mkdir, "pipe": os.mkfifo, "loop": lambda at: os.symlink(at, at), "missing": str}[what](path)
    for read in (load_model, read_model):
        with pytest.raises(TableError, match=r"model\.json"):
            read(path)


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    monkeypatch.delenv("ADVISOR_LOG", raising=False)
    keep(read_version("shipped", tmp_path), tmp_path / "models", {"accepted": True})
    use("1", tmp_path / "models")
    return tmp_path


BAD_POINTERS = [
    b"", b"{", b"[]", b'{"format": 1}', b'{"format": 1, "serving": 3}', b'{"format": 1, "serving": "../0001"}',
    b'{"format": 1, "serving": "\xc2\xb2"}', b'{"format": 9, "serving": "0001"}', b'{"format": "x", "serving": "0001"}',
    b'{"format": 1, "serving": "' + b"1" * 5000 + b'"}', b"[" * 100_000, b"\xff\xfe", b'{"format": 1, "serving": null}',
]  # fmt: skip


@pytest.mark.parametrize("text", BAD_POINTERS, ids=range(len(BAD_POINTERS)))
def test_a_damaged_pointer_is_refused_by_name_and_the_versions_are_still_listed(home, text):
    path = home / "models" / POINTER
    path.write_bytes(text)
    for read in (lambda: pointed(home / "models"), serving_model):
        with pytest.raises(TableError) as caught:
            read()
        assert str(path) in caught.value.message and "--use shipped" in caught.value.hint
    assert [one.name for one in versions(home / "models")] == ["shipped", "0001"]


@pytest.mark.parametrize(
    "text",
    [
        b"{", b'{"format": 1, "levels": {"": "x"}}', b'{"format": 1, "levels": {"": NaN}}', b"[]",
        b'{"format": 1, "levels": {"": true}}', b'{"format": 1, "levels": {"": 1e300}}', b'{"format": 1, "levels": []}',
        b'{"format": 2, "levels": {}}', b'{"format": 1}', b"\x00",
        b'{"format": 1, "levels": {"": ' + b"9" * 400 + b"}}",
    ],
)  # fmt: skip
def test_damaged_levels_are_refused_by_name(home, text):
    path = home / "models" / LEVELS
    path.write_bytes(text)
    for read in (lambda: read_levels(home / "models"), serving_model):
        with pytest.raises(TableError) as caught:
            read()
        assert str(path) in caught.value.message and caught.value.hint


@pytest.mark.parametrize("name", ["\u00b2", "1" * 5000, "-1", "0", "", "../0001", "1e3", "\u0661"])
def test_what_is_no_number_of_a_version_is_no_version(home, name):
    with pytest.raises(InputError, match="no version"):
        use(name, home / "models")


def test_a_damaged_version_says_so_in_the_list_and_does_not_serve(home):
    (home / "models" / "timing-0001.json").write_text("{")
    [_, one] = versions(home / "models")
    assert one.name == "0001" and "not JSON" in one.problem
    with pytest.raises(TableError, match=r"timing-0001\.json") as caught:
        serving_model()
    assert "--use shipped" in caught.value.hint


def test_a_damaged_model_of_the_users_own_is_refused_by_name(home):
    use("shipped", home / "models")
    (home / "timing").mkdir()
    (home / "timing" / "model.json").mkdir()
    with pytest.raises(TableError, match=r"timing/model\.json is a folder"):
        serving_model()
    (home / "timing" / "model.json").rmdir()
    (home / "timing" / "model.json").write_text("{")
    with pytest.raises(TableError, match=r"timing/model\.json is not JSON") as caught:
        serving_model()
    assert f"--out {home / 'timing' / 'model.json'}" in caught.value.hint


@pytest.mark.parametrize("name", [POINTER, LEVELS])
def test_a_small_file_is_read_as_one(home, name):
    (home / "models" / name).write_bytes(b" " * (17 << 20))
    with pytest.raises(TableError, match="larger than 16 MiB"):
        serving_model()
