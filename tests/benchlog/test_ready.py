"""A unit with an open 'must mend' is not logged as ready without a written reason and a name."""

from __future__ import annotations

import pytest

from advisor.benchlog import BenchLog, Job, ready
from advisor.errors import InputError


@pytest.fixture
def book(tmp_path):
    with BenchLog(tmp_path / "log.sqlite") as found:
        yield found


def job(**changes):
    return Job(asset_tag="OM-1", done_on="2026-11-02", elapsed_min=90, **changes)


def test_a_unit_that_was_not_checked_is_logged_as_before(book):
    assert book.add_jobs([job()]) == [1]


@pytest.mark.parametrize(
    "given", [{}, {"despite": "owner wants it so"}, {"technician": "B"}, {"despite": " ", "technician": "B"}]
)
def test_what_must_be_mended_stops_the_log(book, given):
    ready.keep(book, "OM-1", 2, ["must mend: Bench account: etc/passwd", "must mend: Trash: home/a"])
    with pytest.raises(InputError, match=r"not ready: .* 2 open 'must mend' \(must mend: Bench account"):
        book.add_jobs([job(**given)])
    assert book.rows("SELECT * FROM job") == []


def test_a_reason_and_a_name_let_it_go_and_are_kept(book):
    ready.keep(book, "OM-1", 1, ["must mend: x: y"])
    book.add_jobs([job(despite="the account is the owner's own", technician="Bea")])
    row = ready.latest(book, "OM-1")
    assert (row["released_by"], row["released_why"]) == ("Bea", "the account is the owner's own")
    book.add_jobs([job()])


def test_the_newest_check_counts(book):
    ready.keep(book, "OM-1", 1, ["must mend: x: y"])
    ready.keep(book, "OM-1", 0, [])
    assert book.add_jobs([job()]) == [1]
    ready.keep(book, "OM-1", 1, ["must mend: x: y"])
    with pytest.raises(InputError):
        book.add_jobs([job()])


def test_an_old_sheet_is_imported_all_the_same(book):
    ready.keep(book, "OM-1", 1, ["must mend: x: y"])
    assert book.add_jobs([job(source="old.csv")]) == [1]
