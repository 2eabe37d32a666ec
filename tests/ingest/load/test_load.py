"""Run folders to runs."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from dashboard.commands.shared import each_run
from ingest.errors import UnusableRun
from ingest.files import find_files, read_text, run_folders, write_text
from ingest.load.bins import Bins
from ingest.load.large import load_large
from ingest.load.load import load_run
from ingest.run import Run
from tests.support.run_folders import CHANNELS, EVENTS, RUN, TIME, log_text, setup_text, write_run


def faults(run: Run) -> list[str]:
    return [finding.fault for finding in run.findings]


def details(run: Run) -> dict[str, str]:
    return {finding.fault: finding.detail for finding in run.findings}


def test_a_run_folder(tmp_path: Path) -> None:
    events = "time,control,position\n10,engine,start\n5,temp_lever,100\n"
    folder = write_run(tmp_path / "van", events=events)
    run = load_run(folder)
    assert run.name == "van"
    assert run.setup.run.vehicle == "SC-014"
    assert run.readings.columns == ["time_s", "outlet_degC", "coolant_in_degC"]
    assert run.readings["time_s"][0] == -10.0
    assert run.readings["time_s"][-1] == 49.5
    assert run.readings["outlet_degC"][1] == 20.1
    assert run.controls["time_s"].to_list() == [-5.0, 0.0]
    assert run.engine_start_s == 10.0
    assert run.sensors["outlet"].source == "OUT"
    assert run.findings == ()
    assert run.sha256 == {
        name: hashlib.sha256((folder / name).read_bytes()).hexdigest()
        for name in ("run.toml", "log.csv", "events.csv")
    }


@pytest.mark.parametrize("rows", [30, 5000])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_the_hash_is_of_the_file_as_it_lies_there(tmp_path, rows, encoding, ending) -> None:
    folder = write_run(tmp_path / "van")
    text = "a remark\n" + log_text([row / 2 for row in range(rows)]) + "\x1a"
    (folder / "log.csv").write_bytes(text.replace("\n", ending).encode(encoding))
    run = load_run(folder)
    assert run.readings.height == rows
    assert run.sha256["log.csv"] == hashlib.sha256((folder / "log.csv").read_bytes()).hexdigest()
    assert load_run(folder, whole_up_to=0).sha256 == run.sha256


def test_runs_opened_ahead_come_in_order_with_their_faults(tmp_path, capsys) -> None:
    folders = [write_run(tmp_path / name) for name in ("a", "b", "c", "d")]
    (folders[1] / "log.csv").write_bytes(b"")  # found when it is opened
    (folders[2] / "log.csv").write_text("t,OUT,CIN\n0,x,y\n1,x,y\n2,x,y\n")  # when it is understood
    found = list(each_run(folders, None))
    assert [place for place, _ in found] == folders
    assert [isinstance(outcome, UnusableRun) for _, outcome in found] == [False, True, True, False]
    for place, outcome in found:
        if isinstance(outcome, Run):
            assert outcome.readings.equals(load_run(place).readings)
    said = capsys.readouterr().err
    assert said.index(f"{folders[1]}:") < said.index("an empty file") < said.index(f"{folders[2]}:")


def test_the_three_ways_to_name_a_run_give_the_same(tmp_path: Path) -> None:
    folder = write_run(tmp_path / "van")
    ways = [
        load_run(folder),
        load_run(folder / "run.toml"),
        load_run(folder / "log.csv", folder / "run.toml"),
    ]
    assert all(run.readings.equals(ways[0].readings) for run in ways)
    assert all(run.sha256 == ways[0].sha256 for run in ways)
    assert [run.name for run in ways] == ["van", "van", "log"]


def test_a_log_elsewhere_with_a_set_up(tmp_path: Path) -> None:
    folder = write_run(tmp_path / "van")
    other = tmp_path / "other.csv"
    other.write_bytes((folder / "log.csv").read_bytes())
    run = load_run(other, folder / "run.toml")
    assert set(run.sha256) == {"run.toml", "other.csv"}
    assert run.readings.height == 120


def test_numbers_in_parentheses_are_not_guessed_to_be_negative(tmp_path: Path) -> None:
    text = log_text(range(100)).replace("\n4,20.4,", "\n4,(20.4),")
    run = load_run(write_run(tmp_path, log=text))
    assert run.readings["outlet_degC"].is_null().arg_true().to_list() == [4]
    assert "the first '(20.4)' in line 6" in details(run)["parentheses"]
    assert "unreadable_cells" not in details(run)


def test_words_for_no_reading_and_garbage_become_null_and_are_said(tmp_path: Path) -> None:
    text = log_text(range(100)).replace("\n4,20.4,", "\n4,OVER,").replace("\n9,20.9,", "\n9,2?.9,")
    run = load_run(write_run(tmp_path, log=text))
    assert run.readings["outlet_degC"].is_null().arg_true().to_list() == [4, 9]
    assert "'OVER' 1 times" in details(run)["no_reading_words"]
    assert "the first '2?.9' in line 11" in details(run)["unreadable_cells"]
    assert [each.text for each in run.rejected] == ["2?.9"]
    assert run.rejected_count == 1
    assert run.findings[0].channel == "outlet"


def test_keys_that_mean_nothing_are_said(tmp_path: Path) -> None:
    channels = CHANNELS + "time_konstant = 3.0\n"
    run = load_run(write_run(tmp_path, setup=setup_text(channels=channels)))
    assert "[channels.coolant_in] time_konstant" in details(run)["unknown_key"]


def test_what_is_not_filled_in_is_said(tmp_path: Path) -> None:
    run = '[run]\nvehicle = "FILL IN"\nfamily = "FILL IN: which"\noperator = "Phil Inman"\n'
    found = [
        each.detail
        for each in load_run(write_run(tmp_path, setup=setup_text(run=run))).findings
        if each.fault == "fill_in"
    ]
    assert len(found) == 2
    assert found[0].startswith("run.toml [run] vehicle")
    assert found[1].startswith("run.toml [run] family")


def test_events_that_run_toml_does_not_name_are_said(tmp_path: Path) -> None:
    text = "time,control,position\n0,temp_lever,100\n"
    unnamed = load_run(write_run(tmp_path / "a", setup=setup_text(), events=text))
    assert '[events] file = "events.csv"' in details(unnamed)["events_not_named"]
    named = load_run(write_run(tmp_path / "b", events=text))
    assert "events_not_named" not in details(named)
    assert "events_not_named" not in details(load_run(write_run(tmp_path / "c")))


def test_two_points_read_from_one_column_are_said(tmp_path: Path) -> None:
    channels = CHANNELS.replace('"CIN"', '"OUT"')
    run = load_run(write_run(tmp_path, setup=setup_text(channels=channels)))
    assert "outlet and coolant_in" in details(run)["column_shared"]


@pytest.mark.parametrize(
    ("first", "stated", "start", "said"),
    [
        (0.0, 12.0, 12.0, []),
        (-30.0, 0.0, 0.0, []),  # a reading of the time column
        (0.0, -20.0, -20.0, []),  # the engine ran before the logger
        (10190.0, 0.0, 10190.0, ["engine_start_read"]),  # the logger's own uptime
        (10190.0, 10200.0, 10200.0, []),
    ],
)
def test_stated_engine_start(
    tmp_path: Path, first: float, stated: float, start: float, said: list[str]
) -> None:
    log = log_text([first + 0.5 * row for row in range(120)])
    run = load_run(
        write_run(tmp_path, log=log, setup=setup_text(run=f"{RUN}engine_start = {stated}\n"))
    )
    assert run.engine_start_s == start
    assert run.readings["time_s"][0] == first - start
    expected = said if stated != -20.0 else ["engine_start_read"]
    assert faults(run) == expected


def test_engine_start_counts_from_the_first_row_where_the_log_shows_a_clock(tmp_path: Path) -> None:
    log = log_text([f"2026-01-14T07:31:{row:02d}Z" for row in range(60)])
    time = 'time = { column = "t", format = "iso8601" }\n'
    setup = setup_text(run=f"{RUN}engine_start = 12.5\n", time=time)
    run = load_run(write_run(tmp_path, log=log, setup=setup))
    assert run.readings["time_s"][0] == -12.5
    assert run.started == datetime(2026, 1, 14, 7, 31, tzinfo=UTC)


def test_a_noted_start_that_differs_from_the_stated_one_is_said(tmp_path: Path) -> None:
    events = "time,control,position\n20,engine,start\n"
    setup = setup_text(run=f"{RUN}engine_start = 10.0\n", events=EVENTS)
    run = load_run(write_run(tmp_path, setup=setup, events=events))
    assert run.engine_start_s == 10.0
    assert "+10.0 s" in details(run)["engine_start_disagrees"]


def test_a_start_noted_long_before_the_log_is_not_used(tmp_path: Path) -> None:
    events = "time,control,position\n-9000,engine,start\n20,blower,2\n"
    run = load_run(write_run(tmp_path, events=events))
    assert run.engine_start_s == 0.0
    assert "engine_start_outside_log" in faults(run)


def test_started_is_the_wall_clock_of_time_zero(tmp_path: Path) -> None:
    stated = f"{RUN}started = 2026-01-14T07:31:00-05:00\nengine_start = 10.0\n"
    run = load_run(write_run(tmp_path, setup=setup_text(run=stated)))
    assert run.started == datetime(2026, 1, 14, 12, 30, 50, tzinfo=UTC)


def test_a_stated_start_that_differs_from_the_logs_dates_is_said(tmp_path: Path) -> None:
    log = log_text([f"2026-01-14 07:31:{row:02d}" for row in range(60)])
    time = 'time = { column = "t", format = "iso8601" }\n'
    stated = f"{RUN}started = 2026-01-14T08:31:00-05:00\n"
    run = load_run(write_run(tmp_path, log=log, setup=setup_text(run=stated, time=time)))
    assert "-3600 s" in details(run)["started_disagrees"]
    assert run.started == datetime(2026, 1, 14, 12, 31, tzinfo=UTC)


def test_findings_of_the_clock_count_from_the_engine_start(tmp_path: Path) -> None:
    times = [row * 0.5 for row in range(100)] + [row * 0.5 for row in range(100)]
    setup = setup_text(run=f"{RUN}engine_start = 20.0\n")
    run = load_run(write_run(tmp_path, log=log_text(times), setup=setup))
    (finding,) = run.findings
    assert (finding.fault, finding.from_s) == ("logger_restart", 30.0)
    assert run.readings["time_s"][-1] == 79.5


def long_setup(unit: str = 'unit = "U"\n') -> str:
    log = f'layout = "long"\nname = "N"\nvalue = "V"\n{unit}'
    channels = CHANNELS.replace('unit = "degC"\n', "")
    return setup_text(log=log, channels=channels)


def long_rows(step: float = 1.0) -> list[str]:
    """OUT at whole steps, CIN half a step later every other time."""
    rows = []
    for row in range(60):
        rows.append(f"{row * step:.2f},OUT,{20 + row},°C")
        rows.append(f"{row * step:.2f},PEDAL,{row},%")
        if row % 2 == 0:
            rows.append(f"{(row + 0.5) * step:.2f},CIN,{60 + row},°C")
    return rows


def test_the_long_layout_keeps_each_channels_own_times(tmp_path: Path) -> None:
    log = "t,N,V,U\n" + "\n".join(long_rows()) + "\n"
    run = load_run(write_run(tmp_path, log=log, setup=long_setup()))
    time, outlet = run.series("outlet")
    assert time.tolist() == list(range(60))
    assert outlet.tolist() == [20.0 + row for row in range(60)]
    time, coolant = run.series("coolant_in")
    assert time.tolist() == [row + 0.5 for row in range(0, 60, 2)]
    assert coolant.tolist() == [60.0 + row for row in range(0, 60, 2)]
    assert run.readings.height == 90


def test_a_long_log_in_blocks_of_one_channel_is_sorted(tmp_path: Path) -> None:
    rows = sorted(long_rows(), key=lambda row: (row.split(",")[1], float(row.split(",")[0])))
    mixed = load_run(
        write_run(tmp_path / "a", log="t,N,V,U\n" + "\n".join(long_rows()), setup=long_setup())
    )
    blocks = load_run(
        write_run(tmp_path / "b", log="t,N,V,U\n" + "\n".join(rows), setup=long_setup())
    )
    assert blocks.readings.equals(mixed.readings)
    assert faults(blocks) == []


def test_readings_of_another_unit_are_left_out_of_a_long_log(tmp_path: Path) -> None:
    rows = long_rows()
    rows[0] = "0,OUT,68,°F"
    log = "t,N,V,U\n" + "\n".join(rows) + "\n"
    run = load_run(write_run(tmp_path, log=log, setup=long_setup()))
    assert run.readings["outlet_degC"][0] is None
    assert "'°F' 1 times" in details(run)["several_units"]


def test_a_long_channel_with_whole_seconds_is_spread(tmp_path: Path) -> None:
    rows = [f"{row // 4},OUT,{20 + row / 10},°C" for row in range(200)]
    rows += [f"{row},CIN,60,°C" for row in range(50)]
    rows.sort(key=lambda row: int(row.split(",")[0]))
    run = load_run(write_run(tmp_path, log="t,N,V,U\n" + "\n".join(rows), setup=long_setup()))
    time, outlet = run.series("outlet")
    assert time == pytest.approx(0.25 * np.arange(200))
    assert outlet == pytest.approx(20 + np.arange(200) / 10)


def test_a_large_log_is_averaged_into_bins(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    time = 0.01 * np.arange(20_000) + 10.0
    outlet = 20 + 0.1 * time + rng.normal(0, 0.5, time.size)
    rows = [f"{t:.2f},{o:.3f},{60 + t / 10:.3f}" for t, o in zip(time, outlet, strict=True)]
    rows[700] = "17.00,OVER,67.000"
    log = "t,OUT,CIN\n" + "\n".join(rows) + "\n"
    events = "time,control,position\n50,engine,start\n"
    folder = write_run(tmp_path, log=log, events=events)
    whole = load_run(folder)
    run = load_run(folder, whole_up_to=1000)
    assert run.engine_start_s == 50.0
    assert faults(run) == ["no_reading_words", "averaged"]
    assert "20000 samples were averaged into 2000 bins of 0.1 s" in details(run)["averaged"]
    for column in ("time_s", "outlet_degC", "coolant_in_degC"):
        expected = [whole.readings[column].slice(10 * row, 10).mean() for row in range(2000)]
        assert run.readings[column].to_numpy() == pytest.approx(np.array(expected), abs=1e-9)
    assert run.sensors.keys() == whole.sensors.keys()


def test_a_large_log_in_chunks_keeps_its_clock(tmp_path: Path) -> None:
    times = [f"{(86350 + row * 0.5) % 86400:.1f}" for row in range(4000)]
    texts = []
    for text in times:
        value = float(text)
        texts.append(f"{int(value // 3600):02d}:{int(value // 60) % 60:02d}:{value % 60:04.1f}")
    texts[2000] = ""
    time = 'time = { column = "t", unit = "hh:mm:ss" }\n'
    folder = write_run(tmp_path, log=log_text(texts), setup=setup_text(time=time))
    parts = load_large(find_files(folder), chunk_bytes=4096)
    whole = load_run(folder)
    assert parts.time == pytest.approx(whole.readings["time_s"].to_numpy() + 86350.0)
    assert {finding.fault for finding in parts.findings} == {
        "rows_without_time",
        "clock_rolled_over",
        "averaged",
    }
    assert parts.rejected_count == 1
    assert parts.rejected[0].line == 2002
    assert parts.clock.log_time(["23:59:30", "00:00:30"]).tolist() == [86370.0, 86430.0]


def test_a_large_long_log_may_lack_a_channel_in_some_chunks(tmp_path: Path) -> None:
    rows = [f"{row},OUT,{20 + row / 100:.2f},°C" for row in range(2000)]
    rows += [f"{row},CIN,70,°C" for row in range(2000, 2050)]
    folder = write_run(tmp_path, log="t,N,V,U\n" + "\n".join(rows) + "\n", setup=long_setup())
    parts = load_large(find_files(folder), chunk_bytes=4096)
    assert np.isfinite(parts.readings["coolant_in"]).sum() == 50
    assert np.isfinite(parts.readings["outlet"]).sum() == 2000
    assert parts.sensors["coolant_in"].column == "coolant_in_degC"


def test_a_channel_nowhere_in_a_large_long_log_is_a_fault(tmp_path: Path) -> None:
    rows = [f"{row},OUT,{20 + row / 100:.2f},°C" for row in range(2000)]
    folder = write_run(tmp_path, log="t,N,V,U\n" + "\n".join(rows) + "\n", setup=long_setup())
    with pytest.raises(UnusableRun, match=r"\[channels.coolant_in\] column: found 'CIN'"):
        load_large(find_files(folder), chunk_bytes=4096)


def test_bins_grow_so_that_memory_does_not(tmp_path: Path) -> None:
    bins = Bins(("a", "b"), most=100)
    time = np.arange(0.0, 1000.0, 0.05)
    for part in np.array_split(np.arange(time.size), 17):
        bins.add(time[part], {"a": time[part] * 2, "b": np.full(part.size, np.nan)})
    found, means = bins.means()
    assert found.size <= 100
    assert bins.width == 12.8
    assert bins.samples == time.size
    assert means["a"] == pytest.approx(2 * found)
    assert np.isnan(means["b"]).all()
    assert np.diff(found)[:-1] == pytest.approx(12.8)


def test_run_folders(tmp_path: Path) -> None:
    for name in ("b", "a"):
        write_run(tmp_path / name)
    (tmp_path / "empty").mkdir()
    assert run_folders(tmp_path) == [tmp_path / "a", tmp_path / "b"]
    assert run_folders(tmp_path / "a") == []
    assert run_folders(tmp_path / "a" / "log.csv") == []
    assert run_folders(tmp_path / "empty") == []


def test_text_files_are_written_whole(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    write_text(path, "23 °C\n")
    write_text(path, "24 °C\n")
    assert path.read_bytes() == "24 °C\n".encode()
    assert read_text(path) == "24 °C\n"
    assert [each.name for each in tmp_path.iterdir()] == ["page.html"]
    with pytest.raises(UnusableRun, match="cannot be written"):
        write_text(tmp_path / "nowhere" / "page.html", "x")
    with pytest.raises(UnusableRun, match="no readable text"):
        read_text(tmp_path / "nowhere")
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UnusableRun, match="not UTF-8"):
        read_text(path)


def test_files_in_a_folder_of_the_run_are_allowed(tmp_path: Path) -> None:
    folder = write_run(tmp_path)
    (folder / "raw").mkdir()
    (folder / "log.csv").rename(folder / "raw" / "log.csv")
    for name in ("raw/log.csv", "raw\\\\log.csv"):
        (folder / "run.toml").write_text(
            setup_text().replace('"log.csv"', f'"{name}"'), encoding="utf-8"
        )
        assert load_run(folder).sha256.keys() == {"run.toml", "raw/log.csv"}


def test_time_is_found_where_run_toml_does_not_say(tmp_path: Path) -> None:
    log = log_text(range(60), header="Time (s),OUT,CIN")
    run = load_run(write_run(tmp_path, log=log, setup=setup_text(time="")))
    assert run.readings["time_s"][-1] == 59.0
    assert TIME not in (tmp_path / "run.toml").read_text(encoding="utf-8")
