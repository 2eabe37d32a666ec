"""Clock disorders and what is made of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.arrays import Floats
from ingest.clock import order as clock_order
from ingest.clock.order import DAY_S, NotAClockError, Ordered, put_in_order, spread_equal


def ticks(start: float, count: int, interval: float = 0.1) -> Floats:
    return np.round(start + interval * np.arange(count), 6)


def joined(*parts: Floats | list[float]) -> Floats:
    return np.concatenate([np.asarray(part, dtype=np.float64) for part in parts])


def kinds(ordered: Ordered) -> list[tuple[str, int]]:
    return [(step.kind, step.row) for step in ordered.steps]


def test_a_good_clock_is_left_alone() -> None:
    raw = ticks(-30.0, 500)
    ordered = put_in_order(raw)
    assert ordered.time.tolist() == raw.tolist()
    assert ordered.rows.tolist() == list(range(500))
    assert not ordered.steps
    assert ordered.equal == ordered.sorted_rows == ordered.stray.size == 0


@given(
    steps=st.lists(st.sampled_from([0.0, 0.1, 1.0, 60.0, DAY_S]), min_size=1, max_size=40),
    start=st.floats(-100.0, 1e9),
    unread=st.lists(st.integers(0, 40), max_size=3),
    spread=st.booleans(),
)
def test_a_good_clock_is_what_the_scan_of_any_clock_finds(steps, start, unread, spread) -> None:
    raw = start + np.concatenate([[0.0], np.cumsum(steps)])
    raw[[at for at in unread if at < raw.size]] = np.nan

    def scanned(reading, rows, _step, interval, *, spread):
        scan = clock_order._Scan(reading, rows, interval, None, (), elapsed=True, restarts=())
        scan.begin = float(reading[0])
        scan.run(np.zeros(0, dtype=np.int64))
        return clock_order._finish(scan, spread=spread, skip=False)

    def found() -> list[str]:
        try:
            ordered = put_in_order(raw, spread=spread)
        except NotAClockError as error:
            return [str(error)]
        return [repr(getattr(ordered, name)) for name in ("rows", "stray", "steps", "tail")] + [
            repr(ordered.time.tolist()),
            repr((ordered.sorted_rows, ordered.equal, ordered.largest_group, ordered.segments)),
        ]

    quick = found()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clock_order, "_goes_on", scanned)
        assert found() == quick


def test_a_gap_stays_a_gap() -> None:
    raw = joined(ticks(0, 100), ticks(4000, 100))
    assert put_in_order(raw).time.tolist() == raw.tolist()


def test_rows_without_a_time_are_left_out() -> None:
    raw = ticks(0, 10)
    raw[[0, 4, 9]] = np.nan
    ordered = put_in_order(raw)
    assert ordered.rows.tolist() == [1, 2, 3, 5, 6, 7, 8]


def test_midnight_adds_a_day() -> None:
    true = ticks(86390.0, 300)
    ordered = put_in_order(true % DAY_S, period=DAY_S)
    assert ordered.time == pytest.approx(true)
    assert kinds(ordered) == [("roll-over", 100)]


def test_three_midnights_add_three_days() -> None:
    true = ticks(80000.0, 300, 1000.0)
    ordered = put_in_order(true % DAY_S, period=DAY_S)
    assert ordered.time == pytest.approx(true)
    assert [kind for kind, _ in kinds(ordered)] == ["roll-over"] * 4


def test_a_twelve_hour_clock_starts_again_at_noon() -> None:
    true = ticks(43190.0, 200)
    ordered = put_in_order(true % (DAY_S / 2), period=DAY_S / 2)
    assert ordered.time == pytest.approx(true)


def test_a_full_counter_goes_on() -> None:
    true = ticks(4290.0, 200)
    full = 2**32 / 1e6  # microseconds in 32 bits
    ordered = put_in_order(true % full, overflows=(full,))
    assert ordered.time == pytest.approx(true)
    assert [kind for kind, _ in kinds(ordered)] == ["overflow"]


@pytest.mark.parametrize("size", [3600.0, 37.3, 2.4])
def test_rows_after_a_step_back_continue_one_interval_later(size: float) -> None:
    true = ticks(5000.0, 400)
    raw = np.where(np.arange(400) >= 150, true - size, true)
    ordered = put_in_order(raw)
    assert ordered.time == pytest.approx(true)
    assert kinds(ordered) == [("step back", 150)]
    assert ordered.steps[0].size == pytest.approx(0.1 - size)


@pytest.mark.parametrize("jitter", [0.0, 0.03])
@pytest.mark.parametrize("row", [20, 150, 385])
@pytest.mark.parametrize(
    ("interval", "size"),
    [(1.0, 3.0), (1.0, 2.5), (1.0, 2.0), (0.1, 1.0), (0.1, 0.4), (0.1, 0.2), (0.1, 0.18)],
)
def test_a_clock_set_back_by_little_repeats_times_and_mixes_no_rows(
    interval: float, size: float, row: int, jitter: float
) -> None:
    noise = np.random.default_rng(3).uniform(-jitter, jitter, 400) * interval
    true = ticks(5000.0, 400, interval) + noise
    ordered = put_in_order(np.where(np.arange(400) >= row, true - size, true))
    assert ordered.rows.tolist() == list(range(400))
    assert kinds(ordered) == [("step back", row)]
    assert ordered.time == pytest.approx(true, abs=4 * jitter * interval + 1e-6)


def test_a_clock_set_back_by_little_where_a_chunk_ends() -> None:
    true = ticks(5000.0, 400)
    raw = np.where(np.arange(400) >= 200, true - 0.6, true)
    for cut in (150, 198, 199, 200, 203, 206, 250):
        first = put_in_order(raw[:cut])
        second = put_in_order(raw[cut:], after=first.tail)
        assert joined(first.time, second.time) == pytest.approx(true), cut


@pytest.mark.parametrize(
    ("moved", "to"),
    [([40], 41), ([40], 42), ([39, 40], 42), ([39, 40, 41], 44), ([38, 40, 42], 43)],
)
def test_rows_that_are_late_fill_the_holes_they_left(moved: list[int], to: int) -> None:
    order = [at for at in range(100) if at not in moved]
    after = order.index(to) + 1
    order = [*order[:after], *moved, *order[after:]]
    raw = ticks(0, 100)[order]
    ordered = put_in_order(raw)
    assert ordered.time.tolist() == ticks(0, 100).tolist()
    assert raw[ordered.rows].tolist() == ticks(0, 100).tolist()
    assert not ordered.steps
    assert ordered.sorted_rows == len(moved)


def test_one_row_written_again_late_is_no_clock_set_back() -> None:
    ordered = put_in_order(joined(ticks(0, 50), [4.8], ticks(5.0, 50)))
    assert not ordered.steps
    assert (ordered.sorted_rows, ordered.equal) == (1, 1)


def test_elapsed_time_that_begins_again_is_a_restart() -> None:
    raw = joined(ticks(0, 300), ticks(0, 200))
    ordered = put_in_order(raw)
    assert kinds(ordered) == [("restart", 300)]
    assert ordered.time == pytest.approx(ticks(0, 500))


def test_a_repeated_header_makes_a_fall_of_elapsed_time_a_restart() -> None:
    raw = joined(ticks(1000.0, 300), ticks(400.0, 200))
    assert kinds(put_in_order(raw, restarts=(300,))) == [("restart", 300)]
    assert kinds(put_in_order(raw)) == [("step back", 300)]


def test_a_clock_with_dates_does_not_restart() -> None:
    raw = joined(ticks(0, 300), ticks(0, 200))
    assert kinds(put_in_order(raw, elapsed=False, restarts=(300,))) == [("step back", 300)]


def test_a_repeated_header_whose_clock_goes_on_changes_nothing() -> None:
    raw = joined(ticks(0, 100), ticks(60.0, 100))
    assert put_in_order(raw, restarts=(100,)).time.tolist() == raw.tolist()


def test_a_clock_set_years_ahead_continues() -> None:
    raw = joined(ticks(0, 50), ticks(1.3e9, 300))
    ordered = put_in_order(raw, elapsed=False)
    assert ordered.time == pytest.approx(ticks(0, 350), abs=1e-6)
    assert kinds(ordered) == [("clock set", 50)]


@pytest.mark.parametrize("stray", [0.0, 99999.0, 1.7e9, 640.0])
@pytest.mark.parametrize("count", [1, 3])
def test_stray_times_are_rejected_and_nothing_moves(stray: float, count: int) -> None:
    true = ticks(600.0, 200)
    raw = true.copy()
    raw[70 : 70 + count] = stray + np.arange(count)
    ordered = put_in_order(raw, period=DAY_S)
    assert ordered.stray.tolist() == list(range(70, 70 + count))
    assert ordered.time.tolist() == np.delete(true, ordered.stray).tolist()
    assert not ordered.steps


def test_swapped_rows_are_sorted() -> None:
    raw = ticks(0, 100)
    raw[[40, 41]] = raw[[41, 40]]
    ordered = put_in_order(raw)
    assert ordered.time.tolist() == ticks(0, 100).tolist()
    assert ordered.rows[40:42].tolist() == [41, 40]
    assert ordered.sorted_rows == 1


def test_jitter_does_not_stretch_the_log() -> None:
    random = np.random.default_rng(1)
    raw = ticks(0, 5000) + random.normal(0, 0.06, 5000)
    ordered = put_in_order(raw)
    assert ordered.sorted_rows > 100
    assert ordered.time.tolist() == np.sort(raw).tolist()


def test_channels_out_of_order_in_every_cycle_are_sorted() -> None:
    cycle = np.array([0.0, 0.05, 0.02, 0.08, 0.06])
    raw = (np.arange(0.0, 200.0)[:, None] + cycle).ravel()
    ordered = put_in_order(raw)
    assert ordered.time.tolist() == np.sort(raw).tolist()
    assert not ordered.steps


def test_whole_seconds_at_ten_hertz_are_spread() -> None:
    true = ticks(7.4, 200)
    ordered = put_in_order(np.floor(true + 1e-9))
    assert ordered.time == pytest.approx(true, abs=1e-6)
    assert ordered.largest_group == 10


def test_spreading_does_not_fill_a_gap() -> None:
    raw = joined(np.repeat(np.arange(5.0), 4), np.repeat(np.arange(100.0, 105.0), 4))
    time = put_in_order(raw).time
    assert np.diff(time).max() == pytest.approx(95.25)


def test_one_row_written_twice_moves_by_half_a_step() -> None:
    raw = joined(ticks(0, 50), [4.9], ticks(5.0, 50))
    time = put_in_order(raw).time
    assert time[49:51] == pytest.approx([4.9, 4.95])


def test_channels_of_the_long_layout_may_share_a_time() -> None:
    raw = np.repeat(np.arange(10.0), 3)
    assert put_in_order(raw, spread=False).time.tolist() == raw.tolist()


@pytest.mark.parametrize(
    ("raw", "complaint"),
    [
        ([], "0 rows with a time"),
        ([np.nan, np.nan], "0 rows with a time"),
        ([5.0], "1 row with a time"),
        ([5.0] * 20, "the same time in every row"),
        (list(range(20, 0, -1)), "every step from row to row going back"),
        ([1, 9, 2, 8, 3, 7, 1, 8, 2, 9], "of 9 steps from row to row going back"),
    ],
)
def test_what_is_no_clock(raw: list[float], complaint: str) -> None:
    with pytest.raises(NotAClockError, match=complaint):
        put_in_order(np.array(raw, dtype=np.float64))


@pytest.mark.parametrize("cut", [1, 99, 100, 101, 250, 399])
def test_a_log_in_chunks_gives_the_times_of_the_whole(cut: int) -> None:
    true = ticks(86390.0, 400)
    raw = true % DAY_S
    raw[250:] -= 40.0
    whole = put_in_order(raw, period=DAY_S)
    first = put_in_order(raw[:cut], period=DAY_S) if cut > 1 else None
    if first is None:  # a first chunk of one row is no clock by itself
        with pytest.raises(NotAClockError):
            put_in_order(raw[:cut])
        return
    second = put_in_order(raw[cut:], period=DAY_S, after=first.tail)
    assert joined(first.time, second.time) == pytest.approx(whole.time)
    assert [*first.steps, *second.steps] != []
    assert first.rows.size + second.rows.size == 400


@given(
    st.lists(
        st.floats(-1e10, 1e10) | st.just(float("nan")) | st.integers(0, 20).map(float),
        max_size=60,
    ),
    st.sampled_from([None, DAY_S]),
    st.sampled_from([True, False]),
    st.sets(st.integers(0, 60)),
)
def test_log_time_always_increases_and_no_row_is_lost(
    raw: list[float],
    period: float | None,
    elapsed: bool,  # noqa: FBT001 - drawn by hypothesis
    restarts: set[int],
) -> None:
    readings = np.array(raw, dtype=np.float64)
    try:
        ordered = put_in_order(readings, period=period, elapsed=elapsed, restarts=sorted(restarts))
    except NotAClockError:
        return
    assert (np.diff(ordered.time) > 0).all()
    left = np.sort(np.concatenate([ordered.rows, ordered.stray]))
    assert left.tolist() == np.flatnonzero(np.isfinite(readings)).tolist()


@given(st.lists(st.integers(1, 12), min_size=2, max_size=40))
def test_spread_times_stay_within_their_step(counts: list[int]) -> None:
    time = np.repeat(np.arange(float(len(counts))), counts)
    spread = spread_equal(time)
    assert (np.diff(spread) > 0).all()
    assert (np.floor(spread + 1e-9) == time).all()
