"""The command: a sheet in, a plan out, the rest of the day planned anew by the stopwatches."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from advisor.errors import InputError

SHEET = "asset_tag,cpu,ram_gib,storage_kind,storage_gib,form_factor,boot_mode,wireless,due\n" + "".join(
    f"A-{n},i5-6300U,8,ssd,240,laptop,UEFI,none,{'soon' if n == 3 else ''}\n" for n in range(1, 5)
)


def advisor(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "COLUMNS": "200", "ADVISOR_HOME": str(cwd / "home")}
    return subprocess.run(
        [sys.executable, "-c", "from advisor.cli import main; main()", *words],
        capture_output=True, text=True, cwd=cwd, env=environment, timeout=300, check=False,
    )  # fmt: skip


@pytest.mark.slow
def test_a_day_is_planned_and_the_rest_of_it_anew(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text(SHEET, encoding="utf-8")
    done = advisor("plan", "in.csv", "--day", "2026-11-30", "--seconds", "1", "--out", "day.csv", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert "4 of 4 units" in done.stdout
    assert "A-3: 'soon' is no day or time it is due" in done.stdout
    assert set(pd.read_csv(tmp_path / "day.csv")["tag"]) == {"A-1", "A-2", "A-3", "A-4"}
    again = advisor(
        "plan", "in.csv", "--from", "day.csv", "--now", "09:40", "--gone", "A-2", "--seconds", "1", "--out", "rest.csv",
        cwd=tmp_path,
    )  # fmt: skip
    assert "0 units begun, 0 logged today. Changes:" in again.stdout, again.stderr
    rest = pd.read_csv(tmp_path / "rest.csv")
    assert "A-2" not in set(rest["tag"])
    assert (rest["start"] >= "2026-11-30T09:40:00").all()


@pytest.mark.parametrize(
    ("how", "said"),
    [({"out": Path("day.doc")}, "does not say what to write"), ({"day": "tomorrow"}, "is no day"),
     ({"delivery": "noon"}, "is no time of the day")],
)  # fmt: skip
def test_a_wrong_call_is_refused_in_a_sentence(how: dict[str, object], said: str) -> None:
    from advisor.cli.plan import plan

    with pytest.raises(InputError, match=said):
        plan(Path("in.csv"), **how)  # type: ignore[arg-type]


def test_a_request_to_end_does_not_wait_for_the_search(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from advisor.cli import main

    def searches(*_: object, **__: object) -> None:
        raise InputError(str(signal.getsignal(signal.SIGTERM) is signal.SIG_DFL))

    (tmp_path / "in.csv").write_text(SHEET, encoding="utf-8")
    monkeypatch.setattr("advisor.plan.plan_day", searches)
    monkeypatch.setattr(sys, "argv", ["advisor", "plan", str(tmp_path / "in.csv")])
    said: list[str] = []
    monkeypatch.setattr("advisor.cli.faults.say", lambda text, **_: said.append(text))
    with pytest.raises(SystemExit):
        main()
    assert said == ["advisor: True"]
