from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.record import recover
from ingest.record.recorder import Recorder
from ingest.record.wire import files as wire_files
from tests.support.loggers import (
    NAMES,
    SteadySender,
    numbered_line,
    numbered_setup,
    outlet,
    record_lines,
    recorded_numbers,
    recorder_on,
    wait_for,
    with_nmea,
    write_setup,
)

HOST = '[run]\nvehicle = "SC-900"\n[log]\n[channels.outlet]\ncolumn = "outlet"\nunit = "degC"\n'


def finding_names(folder: Path) -> list[str]:
    return [finding.fault for finding in load_run(folder).findings]


def test_lines_become_a_run(tmp_path: Path) -> None:
    recorder = record_lines(numbered_setup(), map(numbered_line, range(200)), tmp_path)
    assert recorded_numbers(tmp_path / "run" / "log.csv") == list(range(200))
    run = load_run(tmp_path / "run")
    assert run.readings.height == 200
    assert run.readings["outlet_degC"][3] == 2.1
    assert recorder.counters.rows == recorder.counters.lines == 200
    assert run.started is not None
    assert not [each for each in run.findings if each.fault.startswith("recording")]


def test_live_state_of_a_recording(tmp_path: Path) -> None:
    with outlet() as made:
        with recorder_on(made.url, tmp_path) as recorder:
            wait_for(made.listened)
            assert recorder.running
            assert recorder.latest() == {}
            with pytest.raises(UnusableRun):
                load_run(recorder.folder)
            for number in range(50):
                made.send(numbered_line(number))
            wait_for(lambda: recorder.counters.lines == 50)
            latest = recorder.latest()
            assert latest["n"].text == "49"
            assert 0 < latest["n"].host_s <= recorder.host_s()
            recorder.note_event("temp_lever", "100", when=latest["n"].host_s - 3.0)
            wait_for(lambda: load_run(recorder.folder).controls.height == 1)
            run = load_run(recorder.folder)
            assert run.readings.height == 49  # the last waits for the next, to be looked at
            assert run.controls["control"].to_list() == ["temp_lever"]
            assert "recording_running" in [finding.fault for finding in run.findings]
            (state,) = recorder.ports_state()
            assert (state.state, state.url) == ("open", made.url)
            assert state.last_byte_host_s <= recorder.host_s()
            texts = [message.text for message in recorder.messages()]
            assert texts == [f"{made.url} is open."]
            assert recorder.messages() == []
        assert not recorder.running


def test_an_event_is_noted_in_the_loggers_own_time(tmp_path: Path) -> None:
    time = '{ column = "n", unit = "ms" }'
    with outlet() as made, recorder_on(made.url, tmp_path, numbered_setup(time)) as recorder:
        wait_for(made.listened)
        recorder.note_event("mode", "floor")  # before any line: kept until there is a time
        made.send(b"".join(numbered_line(60_000 + number) for number in range(10)))
        wait_for(lambda: recorder.counters.lines == 10)
        at = recorder.latest()["n"].host_s
        recorder.note_event("temp_lever", "100", when=at + 1.25)
        recorder.note_event("engine", "start", when=at - 2.0)
        with pytest.raises(ValueError, match="0 to 100"):
            recorder.note_event("temp_lever", "120")
        with pytest.raises(ValueError, match="no control is called"):
            recorder.note_event("temperature", "20")
    rows = (tmp_path / "run" / "events.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0] == "time,control,position"
    assert rows[2:] == ["61259,temp_lever,100", "58009,engine,start"]
    time_of_mode = int(rows[1].split(",")[0])
    assert 50_000 < time_of_mode < 60_200


def test_events_of_a_log_with_clock_times_take_the_lines_time(tmp_path: Path) -> None:
    setup = (
        '[run]\nvehicle = "SC-900"\n[log]\ntime = { column = "Time", unit = "hh:mm:ss" }\n'
        '[channels.outlet]\ncolumn = "T out"\nunit = "degC"\n'
    )
    lines = [b"Logger 7\n", b'"Time";"T out"\n']
    lines += [f'"07:31:{second:02d}";"{second},5"\n'.encode() for second in range(30)]
    recorder = record_lines(setup, lines, tmp_path, events=[("blower", "3")])
    events = (tmp_path / "run" / "events.csv").read_text(encoding="utf-8")
    assert events.splitlines()[1] == "07:31:29,blower,3"
    run = load_run(tmp_path / "run")
    assert run.readings["outlet_degC"][-1] == 29.5
    assert recorder.latest()["T out"].text == "29,5"


def test_events_sent_between_the_lines(tmp_path: Path) -> None:
    lines = [*map(numbered_line, range(5)), b"!engine,start\n", b"!@3!mode,Floor\n"]
    lines += [b"!blower,fast\n", b"!nothing\n", *map(numbered_line, range(5, 20))]
    recorder = record_lines(numbered_setup(), lines, tmp_path)
    events = (tmp_path / "run" / "events.csv").read_text(encoding="utf-8").splitlines()
    assert events[2] == "3,mode,floor"
    time, control, position = events[1].split(",")
    assert (control, position) == ("engine", "start")
    assert float(time) == pytest.approx(4, abs=0.5)
    assert recorder.counters.events == 2
    assert recorder.counters.garbage == 2
    assert recorded_numbers(tmp_path / "run" / "log.csv") == list(range(20))


def test_events_left_in_the_inbox(tmp_path: Path) -> None:
    with outlet() as made, recorder_on(made.url, tmp_path) as recorder:
        wait_for(made.listened)
        made.send(b"".join(map(numbered_line, range(20))))
        wait_for(lambda: recorder.counters.lines == 20)
        inbox = tmp_path / "run" / "inbox"
        inbox.mkdir()
        for name, text in (
            ("a", '{"control": "blower", "position": "2", "host_s": 0.5}'),
            ("b", '{"control": "blower"}'),
            ("c", "[]"),
            ("d", '{"control": "blower", "position": 3}'),
        ):
            (inbox / f"{name}.part").write_text(text, encoding="utf-8")
            (inbox / f"{name}.part").rename(inbox / f"{name}.json")
        wait_for(lambda: not list(inbox.glob("*.json")))
        wait_for(lambda: recorder.counters.events == 2)
        told = " ".join(message.text for message in recorder.messages())
        assert "b.json" in told
        assert "c.json" in told


def test_bad_lines_are_counted_listed_and_never_stop_it(tmp_path: Path) -> None:
    chance = np.random.default_rng(3)
    setup = numbered_setup(serial='checksum = "nmea"\n')
    good, lines = [], []
    for number in range(400):
        line = with_nmea(numbered_line(number).strip())
        if chance.random() < 0.2:
            raw = bytearray(line)
            for at in chance.integers(len(raw), size=3):
                raw[at] = chance.integers(256)
            line = bytes(raw)
        lines.append(line + b"\r\n")
        good.append(number)
    lines[7] = with_nmea(b"7,1,2") + b"\n"
    recorder = record_lines(setup, lines, tmp_path)
    numbers = recorded_numbers(tmp_path / "run" / "log.csv")  # every cell of every row is right
    counters = recorder.counters
    assert 300 < len(numbers) < 340
    assert counters.rows == len(numbers)
    assert counters.changed_columns == 1
    assert counters.bad_checksums > 50
    assert counters.lines == counters.rows + counters.rejected
    rejected = (tmp_path / "run" / "rejected.csv").read_text(encoding="utf-8").splitlines()
    assert len(rejected) == counters.rejected + 1
    found = {finding.fault: finding for finding in load_run(tmp_path / "run").findings}
    assert f"wrong checksums {counters.bad_checksums}" in found["recording_rejects"].detail


def test_random_bytes_between_plain_lines(tmp_path: Path) -> None:
    chance = np.random.default_rng(5)
    lines: list[bytes] = []
    for number in range(300):
        if chance.random() < 0.2:
            lines.append(chance.bytes(int(chance.integers(1, 80))) + b"\n")
        lines.append(numbered_line(number))
    recorder = record_lines(numbered_setup(), lines, tmp_path)
    numbers = recorded_numbers(tmp_path / "run" / "log.csv")
    assert numbers == list(range(300))
    assert recorder.counters.garbage > 30
    assert load_run(tmp_path / "run").readings.height == 300


def test_a_flood_without_line_ends_is_garbage(tmp_path: Path) -> None:
    lines = [numbered_line(0), b"\x55" * 200_000, b"\n", numbered_line(1)]
    recorder = record_lines(numbered_setup(), lines, tmp_path)
    assert recorded_numbers(tmp_path / "run" / "log.csv") == [0, 1]
    assert recorder.counters.garbage > 0


def test_the_list_of_rejects_has_an_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.record.wire.deriver.REJECTED_CAP", 10)
    recorder = record_lines(numbered_setup(), [b"\xff\xfe\n"] * 50, tmp_path)
    assert recorder.counters.rejected == 50
    path = tmp_path / "run" / wire_files.REJECTED_NAME
    assert len(path.read_text(encoding="utf-8").splitlines()) == 11


def test_two_ports_fill_one_table(tmp_path: Path) -> None:
    setup = HOST + (
        '[channels.vacuum_source]\ncolumn = "gauge_p"\nunit = "kPa"\nreference = "vacuum"\n'
        '[[serial.port]]\nname = "logger"\n'
        '[[serial.port]]\nname = "gauge"\nprefix = "gauge_"\nformat = "json"\n'
    )
    with outlet() as logger, outlet() as gauge:
        path = write_setup(tmp_path, setup)
        ports = (f"gauge={gauge.url}", f"logger={logger.url}")
        with Recorder.create(path, tmp_path / "run", ports) as recorder:
            wait_for(logger.listened)
            wait_for(gauge.listened)
            logger.send(b"t,outlet\n")
            for number in range(20):
                logger.send(f"{number},{20 + number}\n".encode())
                gauge.send(f'{{"p": {50 - number}.0, "battery": 3.1}}\n'.encode())
            wait_for(lambda: recorder.counters.rows == 40)
            assert recorder.latest()["gauge_p"].text == "31.0"
            recorder.note_event("blower", "1")
            counters = recorder.counters
            assert {name: each.rows for name, each in counters.by_port.items()} == {
                "1: logger": 20,
                "2: gauge": 20,
            }
    run = load_run(tmp_path / "run")
    assert run.series("outlet")[1].tolist() == [20.0 + number for number in range(20)]
    assert run.series("vacuum_source")[1].tolist() == [50.0 - number for number in range(20)]
    assert run.controls.height == 1
    assert 0 <= run.controls["time_s"][0] <= run.duration_s + 1


def test_a_second_recorder_is_refused(tmp_path: Path) -> None:
    with outlet() as made:
        with recorder_on(made.url, tmp_path):
            other = Recorder.resume(tmp_path / "run")
            with pytest.raises(UnusableRun, match="another process"):
                other.start()
        with pytest.raises(UnusableRun, match="something there already"):
            recorder_on(made.url, tmp_path)


def test_a_folder_prepared_with_its_run_toml_can_be_recorded_into(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    path = folder / "run.toml"
    path.write_text(numbered_setup(), encoding="utf-8")
    recorder = Recorder.create(path, folder, ("socket://127.0.0.1:1",))
    assert recorder.setup.log.file == "log.csv"
    (folder / "log.csv").write_text("another log\n", encoding="utf-8")
    with pytest.raises(UnusableRun, match="something there already"):
        Recorder.create(path, folder, ("socket://127.0.0.1:1",))


def test_what_is_no_port_is_refused_before_anything_is_made(tmp_path: Path) -> None:
    path = write_setup(tmp_path, numbered_setup())
    with pytest.raises(UnusableRun, match="lukewarm ports"):
        Recorder.create(path, tmp_path / "run", ("nonsense://x",))
    assert not (tmp_path / "run").exists()


def test_a_folder_that_was_never_recorded_cannot_go_on(tmp_path: Path) -> None:
    with pytest.raises(UnusableRun, match="no recording"):
        Recorder.resume(tmp_path)


def test_gone_and_back(tmp_path: Path) -> None:
    with outlet() as first:
        url = first.url
        recorder = recorder_on(url, tmp_path)
        recorder.start()
        wait_for(first.listened)
        first.send(b"".join(map(numbered_line, range(10))) + b"10,1.0,2")
        wait_for(lambda: recorder.counters.lines == 10)
    wait_for(lambda: recorder.ports_state()[0].state == "waiting")
    with outlet(url) as second:
        wait_for(second.listened)
        # the rest of a line that began while nobody listened: it must not pass for a reading
        second.send(b"9" + numbered_line(10) + b"".join(map(numbered_line, range(11, 20))))
        wait_for(lambda: recorder.counters.lines >= 20)
        summary = recorder.stop()
    assert recorded_numbers(tmp_path / "run" / "log.csv") == [*range(10), *range(11, 20)]
    assert summary.counters.losses == 1
    assert summary.counters.half_lines == 2
    gaps = [finding for finding in summary.findings if finding.fault == "recording_gap"]
    assert len(gaps) == 1
    assert url in gaps[0].detail
    texts = " ".join(message.text for message in recorder.messages())
    assert "is back after" in texts


def test_resume_goes_on_in_the_same_run_and_marks_the_gap(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with outlet() as made:
        path = write_setup(tmp_path, numbered_setup())
        sender = SteadySender(made, 200)
        with Recorder.create(path, folder, (made.url,)) as recorder:
            sender.start()
            wait_for(lambda: recorder.counters.rows > 30)
        with Recorder.resume(folder) as recorder:
            assert recorder.counters.rows > 30
            before = recorder.counters.rows
            wait_for(lambda: recorder.counters.rows > before + 30)
            summary = recorder.stop()
        sender.stop()
    numbers = recorded_numbers(folder / "log.csv")
    assert numbers == sorted(set(numbers))
    assert len(numbers) == summary.counters.rows
    assert finding_names(folder).count("recording_gap") == 1
    assert len(list((folder / "journal").glob("*.bin"))) == 2


def test_live_files_and_files_made_again_are_the_same(tmp_path: Path) -> None:
    chance = np.random.default_rng(9)
    lines: list[bytes] = []
    for number in range(500):
        lines.append(numbered_line(number))
        if chance.random() < 0.1:
            lines.append(chance.bytes(20) + b"\n")
        if chance.random() < 0.05:
            lines.append(b"!blower,2\n")
    record_lines(numbered_setup(), lines, tmp_path, events=[("note", 'said "hot", twice')])
    folder = tmp_path / "run"
    again = tmp_path / "again"
    again.mkdir()
    recover.rebuild(folder, again)
    for name in ("log.csv", "events.csv", "rejected.csv"):
        assert (again / name).read_bytes() == (folder / name).read_bytes()


def unclose(folder: Path) -> None:
    state = json.loads((folder / "recording.json").read_text(encoding="utf-8"))
    (folder / "recording.json").write_text(
        json.dumps(state | {"state": "recording", "findings": []}), encoding="utf-8"
    )


def cut_log(folder: Path) -> None:
    log = folder / "log.csv"
    log.write_bytes(log.read_bytes()[:-777])


def lose_log(folder: Path) -> None:
    for name in ("log.csv", "events.csv", "rejected.csv", "recording.json"):
        (folder / name).unlink()


@pytest.mark.parametrize("harm", [cut_log, lose_log])
def test_an_unclosed_run_is_put_in_order_when_it_is_loaded(
    tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    record_lines(numbered_setup(), map(numbered_line, range(300)), tmp_path)
    folder = tmp_path / "run"
    whole = (folder / "log.csv").read_bytes()
    unclose(folder)
    harm(folder)
    assert "recording_incomplete" in finding_names(folder)
    assert (folder / "log.csv").read_bytes() == whole
    made = (folder / "log.csv").stat().st_mtime_ns
    assert "recording_incomplete" in finding_names(folder)
    assert (folder / "log.csv").stat().st_mtime_ns == made  # once is enough


def test_a_torn_and_damaged_journal_gives_what_is_left(tmp_path: Path) -> None:
    with outlet() as made, recorder_on(made.url, tmp_path) as recorder:
        wait_for(made.listened)
        for number in range(60):  # a record each, or nearly so
            made.send(numbered_line(number))
            time.sleep(0.01)
        wait_for(lambda: recorder.counters.lines == 60)
    folder = tmp_path / "run"
    unclose(folder)
    (segment,) = (folder / "journal").glob("*.bin")
    raw = bytearray(segment.read_bytes())
    raw[raw.index(numbered_line(20))] ^= 0xFF  # a bad sector
    cut = raw.index(numbered_line(50)) + 10  # the power went
    segment.write_bytes(raw[:cut])
    run = load_run(folder)
    numbers = recorded_numbers(folder / "log.csv")
    assert 20 not in numbers
    assert 40 < len(numbers) < 50
    names = [finding.fault for finding in run.findings]
    assert "journal_damaged" in names
    assert "recording_incomplete" in names


def test_an_unclosed_run_in_a_place_that_cannot_be_written_loads_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record_lines(numbered_setup(), map(numbered_line, range(300)), tmp_path)
    folder = tmp_path / "run"
    unclose(folder)
    cut_log(folder)
    before = {path.name: path.stat().st_size for path in folder.iterdir()}
    monkeypatch.setattr(os, "access", lambda *_: False)
    run = load_run(folder)
    assert run.readings.height == 300
    assert run.name == "run"
    assert {path.name: path.stat().st_size for path in folder.iterdir()} == before


def test_a_loggers_drifting_clock_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.record.wire.clock.MIN_SPAN_S", 1.5)
    monkeypatch.setattr("ingest.record.recover.DRIFT_SAID_S", 0.2)
    monkeypatch.setattr("ingest.record.wire.deriver.ClockSamples", lambda: _often())
    setup = numbered_setup('{ column = "n", unit = "ms" }')
    with outlet() as made, recorder_on(made.url, tmp_path, setup) as recorder:
        wait_for(made.listened)
        began = recorder.host_s()
        while recorder.host_s() < began + 2.2:  # a clock that runs a quarter too fast
            made.send(numbered_line(round((recorder.host_s() - began) * 1250)))
            time.sleep(0.01)
        found = {finding.fault: finding for finding in recorder.stop().findings}
    assert found["logger_clock"].evidence["ppm"] == pytest.approx(250_000, rel=0.1)


def _often() -> object:
    from ingest.record.wire.count import ClockSamples

    return ClockSamples(every_s=0.02)


def test_a_gap_across_a_restart_of_the_computer_says_whose_clock_it_is_by(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record_lines(numbered_setup(), map(numbered_line, range(30)), tmp_path)
    monkeypatch.setattr("ingest.record.wire.time.boot_identity", lambda: "another")
    with outlet() as made:
        recorder = Recorder.resume(tmp_path / "run", (made.url,))
        recorder.start()
        wait_for(made.listened)
        (gap,) = recorder.stop().findings
    assert gap.fault == "recording_gap"
    assert "by the computer's wall clock" in gap.detail


def test_names_are_the_ones_of_the_line() -> None:
    assert numbered_line(3).count(b",") == len(NAMES) - 1
