"""The front door: `import lukewarm`, the README's lines, every example, frames in and out."""

from __future__ import annotations

import doctest
import inspect
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest

import lukewarm as lw
from dashboard.notebook.frames import as_polars, to_pandas
from tests.support.screen import Screen

ROOT = Path(__file__).parents[1]
STORED = (
    "SC-001-baseline", "SC-002-baseline", "SC-003-baseline", "SC-014-after-repair",
    "SC-014-complaint", "SC-017-complaint", "SC-019-complaint", "SC-041-baseline",
)  # fmt: skip
ROOMS = ("analyze", "found", "pictures", "runs", "store", "vocabulary")
RUN = ROOT / "sample_logs" / "SC-014-complaint"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what the README's lines name: sample logs, a store, labels."""
    folder = tmp_path_factory.mktemp("desk")
    (folder / "sample_logs").symlink_to(ROOT / "sample_logs", target_is_directory=True)
    runs = [f"sample_logs/{name}" for name in STORED]
    subprocess.run(
        [sys.executable, str(ROOT / "lukewarm.py"), "store", "add", "fleet", *runs],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    cars = {name[:6]: "good" if name.endswith("baseline") else "bad" for name in STORED}
    lines = [f"{car},{label}\n" for car, label in cars.items()]
    (folder / "labels.csv").write_text("car,label\n" + "".join(lines), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def at_desk(desk: Path) -> Iterator[Path]:
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(desk)
        yield desk


@pytest.fixture(scope="module")
def found() -> lw.Found:
    return lw.analyze(RUN)


def test_the_readme_lines_run(at_desk: Path) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (lines,) = re.findall(r"^```python\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    names: dict[str, Any] = {}
    exec(compile(lines, "README.md", "exec"), names)  # noqa: S102 - our own
    assert (at_desk / "SC-014.pdf").read_bytes().startswith(b"%PDF-")
    assert set(names["causes"]["run"]) == {"SC-014-complaint", "SC-014-after-repair"}
    called = set(re.findall(r"\blw\.(\w+)", lines))
    assert {name for name in lw.__all__ if name[0].islower()} <= called


@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.usefixtures("at_desk")
def test_every_example_gives_what_it_says(room: str) -> None:
    told = doctest.testmod(import_module(f"dashboard.notebook.{room}"))
    assert told.failed == 0
    assert told.attempted > 0


def test_every_function_has_an_example() -> None:
    functions = [getattr(lw, name) for name in lw.__all__ if name[0].islower()]
    assert [each.__name__ for each in functions if ">>>" not in (inspect.getdoc(each) or "")] == []


def test_what_is_offered_is_what_there_is() -> None:
    assert {name for name in lw.__all__ if getattr(lw, name, None) is None} == set()
    assert set(lw.__all__) <= set(dir(lw))
    assert set(lw.__all__) == set(lw._ROOM_OF)
    with pytest.raises(AttributeError, match="no attribute 'analyse'"):
        _ = lw.analyse


def test_it_prints_as_six_lines_and_shows_itself_shortly(found: lw.Found) -> None:
    lines = str(found).splitlines()
    assert len(lines) == 6
    assert all(len(line) <= 80 for line in lines)
    assert "SC-014" in lines[0]
    assert "FAIL" in lines[0]
    assert len(repr(found)) < 80
    assert "\n" not in repr(found)
    assert len(repr(found.run)) < 120


def test_what_comes_next_is_what_the_first_line_of_every_screen_says(found: lw.Found) -> None:
    from dashboard.notebook.page import found_html, found_lines
    from dashboard.text.answer import headline

    gap = {"what": "log the <coolant>", "how": "Clip it on.", "information_bits": 0.5}
    healthy = {"cause": "healthy", "title": "nothing is wrong", "probability": 1.0}
    document = found.to_dict() | {
        "verdict": "undecided", "decided_by": [], "causes": [healthy], "next_measurement": gap,
    }  # fmt: skip
    assert "Next: log the <coolant>" in headline(document, "si")
    assert any(line.split(maxsplit=1) == ["next", gap["what"]]
               for line in found_lines(document, "si"))  # fmt: skip
    assert "<b>Next</b> log the &lt;coolant&gt;. Clip it on." in found_html(document, "si")


def test_a_grouping_there_is_not_is_one_line(at_desk: Path) -> None:
    with lw.Store(at_desk / "fleet") as store, pytest.raises(lw.LukewarmError, match="famly") as no:
        lw.compare(store, by="famly")  # type: ignore[arg-type]
    assert "did you mean family?" in str(no.value)


def test_a_notebook_gets_a_table_with_every_figure(found: lw.Found) -> None:
    shown = found._repr_html_()
    assert shown.count("<tr>") == len(found.figures) + 1
    assert "Caution:" in shown


def test_names_from_a_log_are_text_and_nothing_else(found: lw.Found) -> None:
    setup = found.run.data.setup
    hostile = setup.run.model_copy(update={"vehicle": "<img src=x onerror=alert(1)>\x1b[2J"})
    run = found.run.data.with_(setup=setup.model_copy(update={"run": hostile}), name="<b>")
    bad = lw.analyze(lw.LoadedRun(run))
    for shown in (bad._repr_html_(), bad.run._repr_html_(), lw.plot(bad).to_html()):
        assert "<img" not in shown
        assert "\x1b" not in shown
    assert "\x1b" not in str(bad) + repr(bad) + repr(bad.run)


def test_units_are_of_what_is_shown_and_not_of_numbers(found: lw.Found) -> None:
    us = lw.analyze(found.run, units="us")
    assert us.to_dict() == found.to_dict()
    assert "°F" in us._repr_html_()
    assert "°F" not in found._repr_html_()


def test_the_document_is_that_of_the_command_line(
    found: lw.Found, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    command = Screen(monkeypatch, capsys)
    assert command("analyze", str(RUN), "--json", "-") == 0
    assert found.to_dict() == json.loads(command.out)


def test_the_check_sheet_counts_as_on_the_command_line(tmp_path: Path) -> None:
    import shutil

    place = tmp_path / "run"
    shutil.copytree(RUN, place)
    before = lw.analyze(place).causes[0]
    (place / "checks.csv").write_text(
        "time,check,found,remark\n2026-01-14T09:00:00,cable_adjustment,no,\n", encoding="utf-8"
    )
    after = {each.cause: each.probability for each in lw.analyze(place).causes}
    assert after[before.cause] < before.probability


def test_figures_causes_and_check_are_those_of_the_document(found: lw.Found) -> None:
    told = found.to_dict()
    assert {name: (each.value, each.u, each.unit) for name, each in found.figures.items()} == {
        name: (each["value"], each["u"], each["unit"]) for name, each in told["figures"].items()
    }
    assert [each.probability for each in found.causes] == [
        each["probability"] for each in told["causes"]
    ]
    assert found.next_check is not None
    assert found.next_check.check == told["next_check"]["check"]
    frame = found.to_frame()
    assert frame["figure"].to_list() == list(told["figures"])
    assert frame["value"].to_list() == [each["value"] for each in told["figures"].values()]
    told["verdict"] = "changed by who took it"
    assert found.verdict == found.to_dict()["verdict"]


@pytest.mark.parametrize("kind", ["polars", "pandas"])
def test_a_frame_gives_the_run_of_its_log(kind: str) -> None:
    place = ROOT / "sample_logs" / "SC-019-complaint"
    read = pl.read_csv if kind == "polars" else pd.read_csv
    run = lw.load(read(place / "log.csv"), setup=place / "run.toml")
    from_log = lw.load(place)
    assert run.to_frame().equals(from_log.to_frame())
    assert run.data.controls.equals(from_log.data.controls)
    assert run.data.sensors == from_log.data.sensors


@pytest.mark.parametrize("kind", ["polars", "pandas"])
@pytest.mark.parametrize("zone", [True, False], ids=["instants", "wall clock"])
def test_a_column_of_moments_means_what_the_text_did(kind: str, zone: bool) -> None:  # noqa: FBT001
    # read by another library's clock, so that the two agree on what the text says
    place = ROOT / "sample_logs" / "SC-028-complaint"
    frame = pd.read_csv(place / "log.csv")
    moments = pd.to_datetime(frame["Date/Time"], format="%m/%d/%Y %I:%M:%S.%f %p")
    frame["Date/Time"] = moments.dt.tz_localize("America/Detroit") if zone else moments
    run = lw.load(frame if kind == "pandas" else as_polars(frame), setup=place / "run.toml")
    from_log = lw.load(place)
    assert run.to_frame().equals(from_log.to_frame())
    assert run.data.controls.equals(from_log.data.controls)
    assert run.data.started == from_log.data.started


@pytest.mark.parametrize("zone", [True, False], ids=["instants", "UTC wall clock"])
def test_moments_where_the_log_counts_from_1970(zone: bool) -> None:  # noqa: FBT001
    # SC-004's logger writes milliseconds since the epoch, without a header
    place = ROOT / "sample_logs" / "SC-004-baseline"
    frame = pd.read_csv(place / "log.csv", header=None)
    frame[0] = pd.to_datetime(frame[0], unit="ms", utc=True)
    if not zone:
        frame[0] = frame[0].dt.tz_localize(None)
    assert lw.load(frame, place / "run.toml").to_frame().equals(lw.load(place).to_frame())


def test_the_index_and_durations_of_a_pandas_frame() -> None:
    place = ROOT / "sample_logs" / "SC-019-complaint"
    frame = pd.read_csv(place / "log.csv")
    frame["t"] = pd.to_timedelta(frame["t"], unit="s")
    run = lw.load(frame.set_index("t"), setup=place / "run.toml")
    assert run.data.readings.equals(lw.load(place).data.readings)


@pytest.mark.parametrize(
    ("frame", "said"),
    [
        (pl.DataFrame({"t": []}), "0 rows"),
        (pd.DataFrame([[1, 2]], columns=["t", "t"]), "several columns named 't'"),
        ({"t": [1.0]}, "a dict"),
        (pl.DataFrame({"t": [0.0, 1.0]}), "1 columns"),
        (pl.DataFrame({"t": [0.0, 1.0], "other": [1.0, 2.0]}), "'outlet'"),
    ],
    ids=["empty", "twice", "no frame", "one column", "no such column"],
)
def test_a_frame_that_cannot_be_used_is_said_to_be(frame: Any, said: str) -> None:
    place = ROOT / "sample_logs" / "SC-019-complaint"
    with pytest.raises(lw.LukewarmError, match=re.escape(said)):
        lw.load(frame, setup=place / "run.toml")


def test_a_frame_needs_a_setup() -> None:
    with pytest.raises(lw.LukewarmError, match="no set-up"):
        lw.load(pl.DataFrame({"t": [0.0, 1.0]}))


def test_frames_out_are_what_the_general_converter_makes() -> None:
    # judged against polars' own converter, which needs a third library
    frame = pl.DataFrame(
        {
            "number": [1.5, None, float("nan")],
            "count": [1, 2, 3],
            "text": ["a", None, "°C"],
            "flag": [True, None, False],
            "moment": pl.Series([0, 1_000_000, None]).cast(pl.Datetime("us", "UTC")),
            "local": pl.Series([0, 1_000_000, None]).cast(pl.Datetime("us", "America/Detroit")),
            "many": [["a"], [], ["b", "c"]],
        }
    )
    pytest.importorskip("pyarrow")
    mine, theirs = to_pandas(frame), frame.to_pandas()
    for name in frame.columns:
        if name == "many":
            assert [list(cell) for cell in mine[name]] == [list(cell) for cell in theirs[name]]
            continue
        pd.testing.assert_series_equal(mine[name], theirs[name], check_dtype=name != "flag")


def test_frames_come_back_as_they_went() -> None:
    frame = lw.load(RUN).to_frame()
    assert as_polars(to_pandas(frame)).equals(frame)


def test_extension_columns_of_pandas() -> None:
    frame = pd.DataFrame(
        {
            "whole": pd.array([1, None, 3], dtype="Int64"),
            "kind": pd.Categorical(["a", None, "b"]),
            "any": pd.Series([1, "x", np.nan], dtype="object"),
        }
    )
    assert as_polars(frame).to_dict(as_series=False) == {
        "whole": [1.0, None, 3.0],
        "kind": ["a", None, "b"],
        "any": ["1", "x", None],
    }


def test_many_runs_are_the_same_in_processes_and_one_that_fails_has_a_row(tmp_path: Path) -> None:
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "run.toml").write_text("[run]\n", encoding="utf-8")
    places = [RUN, broken, ROOT / "sample_logs" / "SC-019-complaint"]
    here, there = lw.analyze_many(places, jobs=1), lw.analyze_many(places, jobs=2)
    assert here.figures.equals(there.figures)
    assert here.causes.equals(there.causes)
    assert here.figures["run"].unique(maintain_order=True).to_list() == [
        "SC-014-complaint", "broken", "SC-019-complaint",
    ]  # fmt: skip
    (told,) = here.figures.filter(pl.col("error").is_not_null())["error"]
    assert "run.toml" in told
    one = lw.analyze(RUN).to_frame()
    assert here.figures.filter(pl.col("run") == RUN.name).drop("error").equals(one)


def test_a_cluster_that_does_not_answer_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.work.cluster.ANSWERS_IN_S", 0.5)
    with pytest.raises(lw.LukewarmError, match="running Dask scheduler") as refused:
        lw.analyze_many([RUN], cluster="tcp://127.0.0.1:1")
    assert len(str(refused.value).splitlines()) == 1


def test_a_script_needs_no_guard_around_its_lines(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(
        "import lukewarm as lw\n"
        f"print(lw.analyze_many([{str(RUN)!r}, {str(RUN)!r}], jobs=2).figures.height)\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, str(script)], cwd=ROOT, capture_output=True, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0
    assert int(done.stdout) == 2 * lw.analyze(RUN).to_frame().height


def test_a_store_and_a_result_stand_for_good_cars(at_desk: Path) -> None:
    with lw.Store("fleet") as store:
        first = lw.analyze("sample_logs/SC-019-complaint", baseline=store)
        assert repr(store) == "<store fleet>"
        assert store.runs(vehicle="SC-019")["name"].to_list() == ["SC-019-complaint"]
    again = lw.analyze("sample_logs/SC-019-complaint", baseline=first.baseline)
    assert first.to_dict() == again.to_dict()
    by_place = lw.analyze("sample_logs/SC-019-complaint", baseline="fleet")
    assert first.to_dict() == by_place.to_dict()


def test_a_good_car_that_cannot_be_read_is_warned_of(tmp_path: Path) -> None:
    for name in STORED[:1]:
        (tmp_path / name).symlink_to(ROOT / "sample_logs" / name, target_is_directory=True)
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "run.toml").write_text("[run]\n", encoding="utf-8")
    with pytest.warns(UserWarning, match="broken left out"):
        lw.analyze(RUN, baseline=tmp_path)


def test_tuned_limits_are_limits(at_desk: Path, tmp_path: Path) -> None:
    with lw.Store("fleet") as store:
        tuned = lw.tune(store, "labels.csv")
    assert len(repr(tuned)) < 80
    assert str(tuned).splitlines()[0].endswith("bad")
    assert "limit" in tuned.to_frame().columns
    file = tuned.write(tmp_path / "limits.toml")
    judged = lw.analyze(RUN, limits=tuned.limits).to_dict()
    assert judged == lw.analyze(RUN, limits=file).to_dict()
    assert judged["limits"]["version"] == tuned.limits.version


def test_nothing_is_loaded_before_it_is_used() -> None:
    code = (
        "import sys\nbefore = set(sys.modules)\nimport lukewarm\nprint(*set(sys.modules) - before)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    ours = {"lukewarm", "__future__", "importlib", "typing"}
    assert {
        name.partition(".")[0] for name in done.stdout.split()
    } - sys.stdlib_module_names <= ours
