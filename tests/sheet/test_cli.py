"""`advisor sheet`, called as its user would."""

from __future__ import annotations

import io
import json
import subprocess
import sys

import pypdf
import pytest

from advisor import intake
from advisor.advice import assess
from advisor.capture import take, write_capture
from advisor.files import datasets
from advisor.shop_file import read_shop

DEMO = datasets() / "demo"


def run(*words: str) -> subprocess.CompletedProcess[str]:
    code = "from advisor.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, "sheet", *words], capture_output=True, text=True, encoding="utf-8", timeout=300
    )


def test_a_tag_of_a_sheet_is_told_what_the_batch_gives_it():
    # The drawer's SSDs go to others: alone, the unit would have had one.
    batch = assess(intake.read(DEMO / "intake.csv"), read_shop(DEMO / "shop.toml"))
    (row,) = batch.frame.index[batch.frame["asset tag"].eq("OM-1004")]
    done = run("OM-1004", "--csv", str(DEMO / "intake.csv"), "--shop", str(DEMO / "shop.toml"), "--width", "200")
    assert batch.frame.at[row, "do_first"] in done.stdout
    assert "to be bought" in done.stdout
    assert done.stdout.count("── Advice") == 1


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    path = tmp_path_factory.mktemp("sheet") / "in.csv"
    path.write_text(
        "asset tag,cpu,ram,storage,form factor,notes\n"
        'AA-1,i5-6300U,8GB,240 SSD,laptop,"<script>x</script> #strong[y]"\n'
        "AA-2,i3-3220,4GB,500 HDD,desktop,\n"
        "AA-3,,,,,\n",
        encoding="utf-8",
    )
    return path


@pytest.fixture(scope="module")
def capture(tmp_path_factory):
    path = tmp_path_factory.mktemp("sheet") / "unit.json"
    unit = {"maker": "Lenovo", "model": "ThinkPad T460", "form_factor": "laptop", "cpu": "Intel Core i5-6300U"}
    unit |= {"ram_gib": 8, "storage_kind": "sata ssd", "storage_gib": 224, "boot_mode": "uefi 64-bit"}
    path.write_text(json.dumps({"format": 1, "unit": unit}), encoding="utf-8")
    return path


def test_text_to_the_terminal(small):
    done = run("AA-1", "--csv", str(small))
    assert done.returncode == 0, done.stderr
    assert "AA-1" in done.stdout and "Phases" in done.stdout and "<script>x</script> #strong[y]" in done.stdout
    assert max(map(len, done.stdout.split("\n"))) <= 100


def test_capture_to_pdf_with_a_tag(capture, tmp_path):
    out = tmp_path / "one.pdf"
    done = run(str(capture), "--tag", "BB-7", "--out", str(out))
    assert done.returncode == 0, done.stderr
    pages = pypdf.PdfReader(out).pages
    assert len(pages) == 1 and "BB-7" in pages[0].extract_text() and "T460" in pages[0].extract_text()


@pytest.mark.slow
def test_the_machine_itself_gives_what_its_capture_gives(tmp_path):
    here, kept, later = (tmp_path / name for name in ("here.txt", "unit.json", "later.txt"))
    done = run("--here", "--tag", "CC-3", "--out", str(here))
    assert done.returncode == 0 and "CC-3" in here.read_text(encoding="utf-8"), done.stderr
    write_capture(take(tag="CC-3"), kept)
    assert run(str(kept), "--out", str(later)).returncode == 0
    assert later.read_text(encoding="utf-8") == here.read_text(encoding="utf-8")


@pytest.mark.slow
def test_all_rows_and_exit_code_for_an_unreadable_one(small, tmp_path):
    for suffix in ("pdf", "html", "txt"):
        out = tmp_path / f"all.{suffix}"
        done = run("--csv", str(small), "--all", "--out", str(out))
        assert done.returncode == 1 and "1 of 3" in done.stderr
        content = out.read_bytes()
        if suffix == "pdf":
            assert len(pypdf.PdfReader(io.BytesIO(content)).pages) == 3
        else:
            assert content.count(b'class="page"' if suffix == "html" else b"\f") == (3 if suffix == "html" else 2)
            assert b"<script>x" not in content or suffix == "txt"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "Say which unit"),
        (("--here", "unit.json"), "another unit is named"),
        (("nowhere.json",), "no capture file"),
        (("AA-9", "--csv", "{small}"), "Like it: AA-"),
        (("--csv", "{small}"), "say which row"),
        (("AA-1", "--csv", "{small}", "--tag", "AA-2"), "Two tags"),
        (("AA-1", "--csv", "{small}", "--out", "x.docx"), ".pdf, .html or .txt"),
        (("AA-1", "--csv", "{small}", "--out", "/nonexistent/x.pdf"), "could not be written"),
        (("{small}",), "intake sheet, not a capture"),
    ],
)
def test_wrong_calls_say_what_to_do(small, words, said):
    done = run(*(word.format(small=small) for word in words))
    assert done.returncode == 2
    assert said in done.stderr and "Traceback" not in done.stderr


def test_capture_that_is_no_json(tmp_path):
    bad = tmp_path / "bad.json"
    bad.write_text("{ not json", encoding="utf-8")
    done = run(str(bad))
    assert done.returncode == 2 and "Traceback" not in done.stderr and done.stderr.startswith("advisor:")


def test_help_ends_with_an_example():
    assert "advisor sheet unit-017.json --out unit-017.pdf" in run("--help").stdout
