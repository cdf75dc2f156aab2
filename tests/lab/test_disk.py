"""The disk's mechanics on a clock of their own: no root, no disk; the compiler is needed."""

from __future__ import annotations

import itertools
import math
import random
import shutil

import pytest

from advisor import tables
from advisor.errors import InputError, ToolError
from advisor.files import datasets
from advisor.lab import disk
from advisor.lab.disk import models
from advisor.unit import StorageKind
from tests.lab.mechanics import FLUSH, READ, WRITE, Mechanics

pytestmark = pytest.mark.skipif(shutil.which("gcc") is None, reason="no compiler")

MIB = 1 << 20
SPINNING = [name for name, model in models.known().items() if model.rotational]
FLASH = [name for name, model in models.known().items() if not model.rotational]


def random_reads(
    model: models.DiskModel, span: tuple[float, float], depth: int = 1, count: int = 3000, op: int = READ
) -> float:
    """Mean seconds a request of 4 KiB, so many always under way, within a span of the disk."""
    made, chance = Mechanics(model), random.Random(1)
    low, high = (int(part * model.capacity / 4096) for part in span)
    for tag in range(depth):
        made.submit(tag, op, chance.randrange(low, high) * 4096, 4096)
    for tag in range(count):
        made.wait()
        made.submit(tag, op, chance.randrange(low, high) * 4096, 4096)
    return made.now / count


def stream(model: models.DiskModel, start: float, size: int = 64 * MIB, op: int = READ, pause: float = 0.0) -> float:
    """Rate of a stream of 1 MiB requests, one at a time with a pause between them [B/s]."""
    made = Mechanics(model)
    made.do(op, start, MIB)
    began = made.now
    for at in range(1, size // MIB + 1):
        made.now += pause
        made.do(op, start + at * MIB, MIB)
    return size / (made.now - began)


# --- a plain disk


def plain(rate_mib_s: float = 100, access_ms: float = 10) -> Mechanics:
    return Mechanics(models.plain(rate_mib_s, access_ms, 8 << 30))


def test_a_plain_run_costs_its_length_over_the_rate_and_one_access():
    made = plain()
    for block in range(100):
        made.do(WRITE, block * MIB, MIB)
    assert made.now == pytest.approx(1.010) and made.accesses == 1


def test_on_a_plain_disk_each_far_request_costs_an_access():
    made = plain(1000)
    for turn in range(50):
        made.do(READ, (turn % 2) * 100 * MIB, 4096)
    assert made.now == pytest.approx(50 * (0.010 + 4096 / (1000 * MIB)))


def test_there_is_no_burst_after_a_rest():
    made = plain(10, 0)
    made.do(WRITE, 0, MIB)
    made.now += 60
    assert made.do(WRITE, MIB, 10 * MIB) == pytest.approx(1.0)


def test_a_flush_of_a_plain_disk_costs_an_access_only_after_a_write():
    made = plain()
    assert made.do(FLUSH) == 0
    made.do(WRITE, 0, 4096)
    assert made.do(FLUSH) == pytest.approx(0.010)
    assert made.do(FLUSH) == 0


def test_requests_that_arrive_together_wait_for_each_other():
    made = plain(1000)
    for tag in range(4):
        made.submit(tag, READ, tag * 100 * MIB, 4096)
    waits = [(made.wait(), made.now) for _ in range(4)]
    assert [tag for tag, _ in waits] == [0, 1, 2, 3]
    assert [now for _, now in waits] == pytest.approx([0.010, 0.020, 0.030, 0.040], rel=0.01)


def test_a_parameter_that_is_not_there_or_cannot_be_is_refused():
    good = models.plain(100, 10, 8 << 30)
    for changes, said in (({"colour": 1.0}, "no parameter 'colour'"), ({"rate": 0.0}, "out of range")):
        with pytest.raises(InputError, match=said):
            Mechanics(models.DiskModel("bad", "", {}, {**good.parameters, **changes}))


# --- the table


def test_every_disk_has_what_it_needs_and_says_where_each_figure_is_from():

    frame = tables.load("lab/disks").frame
    assert frame["source"].str.len().gt(5).all() and not frame.duplicated(["disk", "parameter"]).any()
    named = tables.meta(datasets() / "lab" / "disks.meta.toml")["parameters"]
    assert set(frame["parameter"]) == set(named)
    for model in models.known().values():
        assert model.kind in set(StorageKind)
        Mechanics(model)
    assert [models.known()[name].figures["rpm"] for name in SPINNING] == [5400, 7200, 7200, 7200, 5400]


@pytest.mark.parametrize("name", SPINNING)
def test_the_seek_curve_gives_the_manuals_three_figures(name):
    # The manuals' average is over all pairs of tracks: a seek over n of N tracks comes up with weight N + 1 - n.
    made, figures = Mechanics(models.known()[name]), models.known()[name].figures
    steps = 2000
    mean = sum((steps + 1 - n) * made.seek_s(n / steps) for n in range(1, steps + 1)) / sum(range(1, steps + 1))
    assert 1e3 * mean == pytest.approx(figures["seek_average_ms"], rel=0.01)
    assert 1e3 * made.seek_s(1.0) == pytest.approx(figures["seek_full_ms"], rel=0.001)
    assert 1e3 * made.seek_s(1e-5) == pytest.approx(figures["seek_track_ms"], rel=0.1)
    times = [made.seek_s(n / steps) for n in range(steps + 1)]
    assert times[0] == 0 and all(a <= b for a, b in itertools.pairwise(times))


# --- a spinning disk


@pytest.mark.parametrize("name", SPINNING)
def test_a_random_read_is_seek_half_a_turn_and_overhead(name):
    model = models.known()[name]
    f = model.figures
    said = f["seek_average_ms"] + 30_000 / f["rpm"] + f["overhead_ms"] + 4.096 / f["outer_mb_s"]
    assert 1e3 * random_reads(model, (0, 1)) == pytest.approx(said, rel=0.05)


@pytest.mark.parametrize("name", SPINNING)
def test_within_a_hundredth_of_the_disk_the_seek_is_short_and_the_turn_is_not(name):
    model = models.known()[name]
    f = model.figures
    # Over a hundredth of the stroke seeks are settling and the root of the distance: E of the root of x is 8/15 of the
    # root of the span's width. In the middle of the disk its share of the bytes is its share of the stroke, nearly.
    seek = f["seek_track_ms"] + 1e3 * model.parameters["root"] * math.sqrt(0.01) * 8 / 15
    said = seek + 30_000 / f["rpm"] + f["overhead_ms"]
    assert 1e3 * random_reads(model, (0.40, 0.41)) == pytest.approx(said, rel=0.05)


@pytest.mark.parametrize("name", SPINNING)
def test_streams_run_at_the_outer_and_the_inner_rate(name):
    model = models.known()[name]
    inner = model.capacity - 80 * MIB
    for start, rate in ((0, "outer_mb_s"), (inner, "inner_mb_s")):
        assert stream(model, start) / 1e6 == pytest.approx(model.figures[rate], rel=0.02)
        # The disk reads ahead while the machine pauses.
        assert stream(model, start, pause=0.001) / 1e6 == pytest.approx(model.figures[rate], rel=0.02)
        assert stream(model, start - (start > 0) * 1000 * MIB, 1024 * MIB, WRITE) / 1e6 == pytest.approx(
            model.figures[rate], rel=0.05
        )


@pytest.mark.parametrize("name", SPINNING)
def test_a_deep_queue_does_more_and_no_request_is_forgotten(name):
    model = models.known()[name]
    alone, deep = random_reads(model, (0, 1)), random_reads(model, (0, 1), depth=32)
    # Worthington, Ganger and Patt 1994 (Scheduling algorithms for modern disk drives): by the shortest positioning time
    # a queue of some tens halves the time a request; it can never beat settling and overhead.
    assert 0.35 * alone < deep < 0.6 * alone
    made = Mechanics(model)
    chance, born, oldest = random.Random(2), {}, 0.0
    for tag in range(2000):
        if len(born) == 32:
            done = made.wait()
            oldest = max(oldest, made.now - born.pop(done))
        made.submit(tag, READ, chance.randrange(model.capacity // 4096) * 4096, 4096)
        born[tag] = made.now
    assert oldest < 3.0


def slow_positions(f: dict[str, float], model: models.DiskModel, depth: int, count: int) -> float:
    """The same queue worked out again without the mechanics' code: tracks as one list, no buffer, no zones."""
    p, chance = model.parameters, random.Random(3)
    turn, switch = p["revolution"], p["head_switch"]
    root, knee, slope, settle = p["root"], p["knee"], p["slope"], p["settle"]

    def seek(x: float) -> float:
        if x == 0:
            return 0.0
        return settle + root * math.sqrt(x) if x < knee else settle + root * math.sqrt(knee) + slope * (x - knee)

    def cost(one: tuple[float, float], now: float, head: float) -> float:
        time = max(seek(abs(one[0] - head)), switch)
        return time + (one[1] - (now + time) / turn) % 1 * turn

    waiting = [(chance.random(), chance.random()) for _ in range(depth)]
    now, head = 0.0, 0.0
    for _ in range(count):
        # The head is sent on before the machine has sent the next request: the last of the list is not there yet.
        best = min(waiting[: max(depth - 1, 1)], key=lambda one: cost(one, now, head))
        now, head = now + cost(best, now, head), best[0]
        waiting.remove(best)
        waiting.append((chance.random(), chance.random()))
    return now / count


def test_the_queue_does_as_well_as_an_independent_working_out():
    model = models.known()["7200 3.5in 1TB"]
    # No zones: as many bytes on every track, so that places are even over the stroke as in the other working out.
    p = {**model.parameters, "inner_rate": model.parameters["outer_rate"], "segments": 0.0}
    even = models.DiskModel("even", model.kind, model.figures, p)
    for depth in (1, 4, 32):
        other = slow_positions(dict(model.figures), model, depth, 3000)
        ours = random_reads(even, (0, 1), depth)
        # Alone a request pays its overhead; in a queue that passes while the one before is served.
        assert ours == pytest.approx(other + (model.parameters["overhead"] if depth == 1 else 0), rel=0.05), depth


def test_a_write_is_taken_at_once_until_the_cache_is_full_and_a_flush_empties_it():
    model = models.known()["7200 3.5in 500GB"]
    made, chance = Mechanics(model), random.Random(4)
    first = [made.do(WRITE, chance.randrange(model.capacity // 4096) * 4096, 4096) for _ in range(50)]
    assert max(first) < 0.001
    flushed = made.do(FLUSH)
    # Fifty places all over the disk: no faster than settling and some of a turn each, no slower than one after another.
    assert 50 * 0.002 < flushed < 50 * 0.0145
    assert made.do(FLUSH) < 0.001
    later = [made.do(WRITE, chance.randrange(model.capacity // 4096) * 4096, 4096) for _ in range(2000)]
    assert sum(later[1000:]) / 1000 > 0.002


def test_a_disk_without_a_write_cache_pays_for_every_write():
    model = models.known()["7200 3.5in 500GB"]
    bare = models.DiskModel("bare", model.kind, model.figures, {**model.parameters, "write_cache": 0.0})
    f = model.figures
    said = f["seek_average_ms"] + f["write_settle_ms"] + 30_000 / f["rpm"] + f["overhead_ms"]
    assert 1e3 * random_reads(bare, (0, 1), op=WRITE) == pytest.approx(said, rel=0.05)
    # A stream of small writes misses a whole turn each time.
    made = Mechanics(bare)
    times = [made.do(WRITE, at * 4096, 4096) for at in range(20)]
    assert sum(times[1:]) / 19 == pytest.approx(60 / f["rpm"], rel=0.05)


def test_a_write_larger_than_the_cache_does_not_wait_for_ever():
    model = models.known()["5400 2.5in"]
    tiny = models.DiskModel("tiny", model.kind, model.figures, {**model.parameters, "write_cache": 65536.0})
    made = Mechanics(tiny)
    for at in range(20):
        assert made.do(WRITE, at * MIB, MIB) < 0.2
    assert made.do(FLUSH) < 0.2
    assert made.now == pytest.approx(20 * MIB / (model.figures["outer_mb_s"] * 1e6), rel=0.2)


def test_any_mix_of_requests_ends_in_order_of_time():
    # Every request is answered, none before it was asked for, and the clock never goes back.
    for name, model in models.known().items():
        made, chance = Mechanics(model), random.Random(6)
        asked: dict[int, float] = {}
        last = 0.0
        for tag in range(3000):
            while len(asked) > chance.randrange(1, 60):
                done = made.wait()
                assert made.now >= last and made.now >= asked.pop(done), name
                last = made.now
            op = chance.choice((READ, READ, WRITE, WRITE, WRITE, FLUSH))
            near = chance.random() < 0.5
            place = chance.randrange(1 << 14) * 4096 if near else chance.randrange(model.capacity // 4096 - 300) * 4096
            asked[tag] = made.now
            made.submit(tag, op, 0 if op == FLUSH else place, 0 if op == FLUSH else 4096 << chance.randrange(9))
            made.now += chance.choice((0, 0, 1e-5, 1e-3, 0.05))
        while asked:
            asked.pop(made.wait())


def test_what_was_just_written_or_read_comes_from_the_buffer():
    model = models.known()["5400 2.5in"]
    made = Mechanics(model)
    made.do(WRITE, 10**11, 4096)
    assert made.do(READ, 10**11, 4096) < 0.001
    made = Mechanics(model)
    made.do(READ, 10**11, 4096)
    made.do(READ, 2 * 10**11, 4096)
    assert made.do(READ, 10**11, 4096) < 0.001
    assert made.do(READ, 10**11 + 30 * MIB, 4096) > 0.002


def test_what_a_hybrid_was_asked_for_twice_comes_from_its_flash():
    model = models.known()["5400 2.5in hybrid"]
    made, chance = Mechanics(model), random.Random(5)
    places = [chance.randrange(model.capacity // 4096) * 4096 for _ in range(300)]
    rounds = []
    for _ in range(3):
        began = made.now
        for place in places:
            made.do(READ, place, 4096)
        rounds.append((made.now - began) / len(places))
    assert rounds[0] > 0.015 and rounds[1] > 0.015
    # Measured of a drive of that series once it had learnt: 0.3 ms (source in the table).
    assert rounds[2] == pytest.approx(0.0003, abs=0.0005)
    other = Mechanics(models.known()["5400 2.5in"])
    for _ in range(3):
        last = [other.do(READ, place / 2, 4096) for place in places]
    assert sum(last) / len(last) > 0.015


# --- flash


@pytest.mark.parametrize("name", FLASH)
def test_flash_does_what_its_maker_says(name):
    model = models.known()[name]
    f = model.figures
    for op, way in ((READ, "read"), (WRITE, "write")):
        assert 1 / random_reads(model, (0, 1), 1, op=op) == pytest.approx(f[f"{way}_iops_1"], rel=0.05)
        assert 1 / random_reads(model, (0, 1), 32, op=op) == pytest.approx(f[f"{way}_iops"], rel=0.05)
        assert stream(model, 0, 256 * MIB, op) / 1e6 == pytest.approx(f[f"{way}_mb_s"], rel=0.05)
    rates = [1 / random_reads(model, (0, 1), depth) for depth in (1, 2, 4, 8, 16, 32)]
    assert all(b > 0.99 * a for a, b in itertools.pairwise(rates))


@pytest.mark.parametrize("name", FLASH)
def test_writes_slow_once_the_cache_is_full_and_are_fast_again_after_a_rest(name):
    model = models.known()[name]
    f = model.figures
    made, size = Mechanics(model), 4 * MIB

    def rate(count: int) -> float:
        began = made.now
        for at in range(count):
            made.do(WRITE, rate.at + at * size, size)  # type: ignore[attr-defined]
        rate.at += count * size  # type: ignore[attr-defined]
        return count * size / (made.now - began) / 1e6

    rate.at = 0  # type: ignore[attr-defined]
    fast = rate(int(0.9 * f["cache_gb"] * 1e9 / size))
    rate(int(0.2 * f["cache_gb"] * 1e9 / size))
    slow = rate(50)
    assert fast == pytest.approx(f["write_mb_s"], rel=0.05) and slow == pytest.approx(f["slow_write_mb_s"], rel=0.05)
    made.now += f["cache_gb"] * 1e9 / (f["slow_write_mb_s"] * 1e6)
    assert rate(20) == pytest.approx(f["write_mb_s"], rel=0.05)
    assert made.do(FLUSH) == pytest.approx(f["flush_ms"] / 1e3, rel=0.01) and made.do(FLUSH) < 0.0001


def test_a_disk_that_is_not_in_the_table_is_refused_with_those_that_are():
    with pytest.raises(InputError, match="'drum'") as refused:
        models.model("drum")
    assert "nvme" in refused.value.hint


def test_compiling_without_a_compiler_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    for server in (False, True):
        with pytest.raises(ToolError) as refused:
            disk.compiled(tmp_path / "made", server=server)
        assert "libfuse3-dev" in refused.value.hint


def test_what_root_is_to_run_is_not_taken_from_a_folder_that_others_may_write_to(tmp_path):
    (tmp_path / "open").mkdir(mode=0o777)
    (tmp_path / "open").chmod(0o777)
    with pytest.raises(InputError, match="may be written to by others"):
        disk.compiled(tmp_path / "open", server=True)
