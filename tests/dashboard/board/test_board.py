"""The board's plain functions: address, thinning, fleet table, strips, pages, sources, exports."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from dash import dcc, html
from hypothesis import given
from hypothesis import strategies as st

from analysis.baseline import Baseline
from analysis.limits import Limit
from dashboard.pages import all_pages
from dashboard.pages.fleet import search_of, state_of
from dashboard.pages.limits import answer, groups, limits_rows, row_cells
from dashboard.pages.views.car_figures import family_text, standing
from dashboard.pages.views.fleet import Choice, chosen, families, page_of
from dashboard.pages.views.fleet_answer import causes_table, sentences
from dashboard.plots.car import car_plot, drawn_points, zoom_of
from dashboard.plots.fleet import MAX_MARKS, fleet_plot, limits_vary
from dashboard.plots.readings import MAX_POINTS, Readings, channel_of, extremes
from dashboard.plots.run import Window
from dashboard.plots.strip import Strip, nice_ticks, svg
from dashboard.web import address, parts
from dashboard.web.folder_source import FolderSource
from dashboard.web.frames import figure_records, figures_frame, run_record, runs_frame
from dashboard.web.light import tree
from dashboard.web.service import Board, Recent
from tests.support.board_runs import (
    FEW,
    SAMPLES,
    SPIKE,
    MadeSource,
    few_samples,
    id_of,
    long_readings,
    made_document,
)
from tests.support.components import texts


@pytest.fixture(scope="module")
def few() -> FolderSource:
    return few_samples()


# ---------------------------------------------------------------- address


def test_an_address_comes_back_as_it_went() -> None:
    state = {"figure": "coolant_plateau", "family": "Plover & Söhne", "page": "2", "empty": ""}
    assert address.read(address.write(state)) == {
        "figure": "coolant_plateau", "family": "Plover & Söhne", "page": "2",
    }  # fmt: skip
    assert address.write({"text": "", "page": None}) == ""


@given(st.text())
def test_no_address_is_too_odd(text: str) -> None:
    told = address.read(text)
    assert all(len(value) <= address.LONGEST_VALUE for value in told.values())
    assert all(value.isprintable() for value in told.values())


def test_an_address_is_bounded() -> None:
    assert address.read("?a=" + "x" * 201) == {}
    assert address.read("?" + "&".join(f"k{each}=1" for each in range(100))) == {}
    assert address.read("?" + "a" * 5000) == {}
    assert address.read("?a=one%0Atwo&b=3") == {"b": "3"}


@pytest.mark.parametrize("word", ["inf", "nan", "1e300", "x", "", None, "1,5"])
def test_numbers_of_an_address_are_finite(word: str | None) -> None:
    assert address.number(word) is None


# ---------------------------------------------------------------- thinning


def test_a_thinned_line_keeps_its_extremes_and_ends() -> None:
    rng = np.random.default_rng(11)
    time = np.arange(200_000.0)
    value = rng.normal(size=time.size)
    value[[777, 123_456]] = 40.0, -40.0
    kept = extremes(time, value, 1000)
    assert kept.size <= 1000
    assert {0, 777, 123_456, time.size - 1} <= set(kept.tolist())
    assert np.all(np.diff(kept) > 0)


def test_every_piece_of_a_thinned_line_shows_its_own_lowest_and_highest() -> None:
    value = np.random.default_rng(3).normal(size=99_800)
    kept = extremes(np.arange(value.size, dtype=float), value, 1000)
    pieces = np.array_split(np.arange(1, value.size - 1), 100)
    inside = [kept[(kept >= piece[0]) & (kept <= piece[-1])] for piece in pieces]
    for piece, shown in zip(pieces, inside, strict=True):
        # the sampler's pieces need not begin where these do
        assert value[shown].max() >= np.partition(value[piece], -3)[-3]


def test_zooming_in_shows_every_reading() -> None:
    readings = long_readings(200_000)
    whole = readings.line("outlet")
    assert whole.thinned
    assert np.nanmax(whole.value) == SPIKE
    part = readings.line("outlet", 1000.0, 1060.0)
    assert not part.thinned
    assert part.time[0] == pytest.approx(999.9)
    assert part.time[-1] == pytest.approx(1060.1)
    assert part.time.size == 603


def test_a_gap_stays_a_gap_however_thin_the_line() -> None:
    time = np.concatenate([np.arange(0.0, 9000.0, 0.1), np.arange(9100.0, 20_000.0, 0.1)])
    frame = pl.DataFrame({"time_s": time, "outlet_degC": np.full(time.size, 50.0)})
    line = Readings(frame).line("outlet")
    (gap,) = np.flatnonzero(np.isnan(line.value))
    assert line.time[gap] == pytest.approx(9050.0, abs=0.1)
    assert line.time[gap - 1] == pytest.approx(8999.9)
    assert line.time[gap + 1] == pytest.approx(9100.0)


def test_nulls_and_empty_channels_are_left_out() -> None:
    frame = pl.DataFrame(
        {
            "time_s": [0.0, 1.0, 2.0],
            "outlet_degC": [1.0, None, 3.0],
            "cabin_degC": pl.Series([None, None, None], dtype=pl.Float64),
            "mode": ["floor"] * 3,
            "air_door_pct": [1.0] * 3,
        }
    )
    readings = Readings(frame)
    assert list(readings.channels) == ["outlet"]
    assert readings.line("outlet").time.tolist() == [0.0, 2.0]


@pytest.mark.parametrize(
    ("column", "point"),
    [
        ("outlet_degC", "outlet"),
        ("vacuum_source_kPa", "vacuum_source"),
        ("road_speed_m_s", "road_speed"),
        ("hood_switch_V", "hood_switch"),
        ("blower", None),
        ("defrost_pct", None),
        ("time_s", None),
    ],
)
def test_columns_are_told_by_name(column: str, point: str | None) -> None:
    found = channel_of(column)
    assert (found[0] if found else None) == point


# ---------------------------------------------------------------- pictures of a car


def test_lines_stand_where_the_picture_expects_them() -> None:
    readings = long_readings(20_000)
    picture = car_plot(readings, [Window(10.0, 20.0, "steady")], "us")
    names = [trace.name for trace in picture.figure.data]
    assert names == [point.replace("_", " ") for point in drawn_points(readings)]
    outlet = picture.figure.data[0]
    line = readings.line("outlet")
    assert np.nanmax(outlet.y) == pytest.approx(np.nanmax(line.value) * 1.8 + 32.0)
    # rounded below a pixel of the widest screen, 4,000 of them
    assert outlet.x[-1] == pytest.approx(1999.9 / 60.0, abs=1999.9 / 60.0 / 4000.0)
    assert picture.thinned
    assert len(outlet.x) <= MAX_POINTS


@pytest.mark.parametrize(
    ("told", "stretch"),
    [
        ({"xaxis.range[0]": 1.0, "xaxis.range[1]": 2.0}, (60.0, 120.0)),
        ({"xaxis.range": [1.0, 2.0]}, (60.0, 120.0)),
        ({"xaxis.autorange": True}, (None, None)),
        ({"autosize": True}, None),
        ({"xaxis.range[0]": "x", "xaxis.range[1]": 2.0}, None),
        (None, None),
    ],
)
def test_a_zoom_is_told_from_other_changes(
    told: dict[str, object] | None, stretch: tuple[float | None, float | None] | None
) -> None:
    assert zoom_of(told) == stretch


# ---------------------------------------------------------------- fleet


def fleet() -> tuple[pl.DataFrame, pl.DataFrame]:
    told = {
        "1": made_document("SC-001", purpose="baseline"),
        "2": made_document("SC-002", "Dunlin"),
        "3": made_document("SC-003", None),
    }
    told["2"]["verdict"] = "fail"
    told["2"]["causes"][0]["cause"] = "thermostat_opens_low"
    told["2"]["figures"]["steady_outlet_rise"] |= {"value": 21.0, "verdict": "fail"}
    told["3"]["figures"]["steady_outlet_rise"] |= {"value": None, "verdict": "not measured"}
    source = MadeSource(told, {})
    return source.runs(), source.figures()


@pytest.mark.parametrize(
    ("choice", "ids"),
    [
        ({}, ["2", "1", "3"]),
        ({"sort": "low"}, ["2", "1", "3"]),
        ({"sort": "high"}, ["1", "2", "3"]),
        ({"sort": "car"}, ["1", "2", "3"]),
        ({"family": "Dunlin"}, ["2"]),
        ({"family": "no family"}, ["3"]),
        ({"verdict": "pass"}, ["1", "3"]),
        ({"purpose": "baseline"}, ["1"]),
        ({"text": "opens low"}, ["2"]),
        ({"text": "the thermostat opens too low"}, ["2"]),
        ({"text": "steady outlet rise"}, ["2"]),
        ({"cause": "thermostat_opens_low"}, ["2"]),
        ({"text": "sc-00"}, ["2", "1", "3"]),
        ({"text": "["}, []),
    ],
)
def test_runs_are_chosen_and_sorted(choice: dict[str, str], ids: list[str]) -> None:
    frame = chosen(*fleet(), Choice("steady_outlet_rise", **choice))
    assert frame["id"].to_list() == ids


def test_the_fleet_is_counted() -> None:
    runs, _ = fleet()
    (said,) = sentences(runs)
    assert said.startswith("✕ Dunlin: 1 of 1 car fails, most likely the thermostat opens too low")
    assert sentences(runs.clear())[0].startswith("? No run meets the choice.")
    sound = runs.filter(pl.col("verdict") == "pass")
    assert sentences(sound) == ["✓ None of 2 cars fails on its newest run."]
    open_too = sound.with_columns(
        verdict=pl.when(pl.col("id") == sound["id"][0])
        .then(pl.lit("undecided"))
        .otherwise(pl.col("verdict"))
    )
    # nobody is told that all is well while a car is undecided
    assert sentences(open_too) == [
        "? None of 2 cars fails on its newest run; 1 could not be decided."
    ]
    first = families(runs)[0]
    assert (first["family"], first["cars"], first["fail"]) == ("Dunlin", 1, 1)


def test_a_repaired_car_fails_no_more() -> None:
    told = {
        "1": made_document("SC-001", purpose="complaint", started="2026-01-02T08:00:00+00:00"),
        "2": made_document("SC-001", purpose="after-repair", started="2026-01-09T08:00:00+00:00"),
    }
    told["1"]["verdict"] = "fail"
    runs = MadeSource(told, {}).runs()
    assert sentences(runs) == ["✓ None of 1 car fails on its newest run."]
    older = runs.filter(pl.col("purpose") == "complaint")
    assert sentences(older)[0].endswith("; since January 2026.")


def test_numbers_by_cause_lead_to_their_cars() -> None:
    runs, _ = fleet()
    told = str(causes_table(runs, {"units": "us", "figure": "vacuum_decay"}))
    assert "family=Dunlin&cause=thermostat_opens_low" in told
    assert "units=us" in told
    assert causes_table(runs.clear(), {}) is None
    assert "each of its runs" not in told


def test_the_limits_page_first_counts_every_car_that_fails_one() -> None:
    told = {str(n): made_document(f"SC-00{n}") for n in range(3)}
    for run, figure in (("0", "vacuum_decay"), ("1", "vacuum_decay"), ("2", "coolant_drop")):
        told[run]["figures"][figure] |= {"value": 99.0, "u": 0.1, "verdict": "fail"}
    board = Board(MadeSource(told, {}))
    (group,) = groups(board.source.runs())
    said = " ".join(texts(answer(board, {"group": group, "units": "si"})[0]))
    assert "3 cars have a run that fails one or more, most often that on vacuum decay (2)." in said


def test_a_car_that_stands_under_two_causes_is_explained() -> None:
    told = {str(n): made_document("SC-001", purpose="complaint") for n in range(2)}
    told["0"]["causes"][0]["cause"] = "vacuum_leak"
    assert "each of its runs" in str(causes_table(MadeSource(told, {}).runs(), {}))


def test_pages_of_a_table() -> None:
    frame = pl.DataFrame({"n": range(120)})
    assert page_of(frame, 3)[0]["n"].to_list() == list(range(100, 120))
    assert page_of(frame, 99)[1:] == (3, 3)
    assert page_of(frame, -5)[1:] == (1, 3)
    assert page_of(frame.clear(), 1)[1:] == (1, 1)


def test_the_fleet_picture_tells_good_from_judged_and_shows_limits() -> None:
    frame = chosen(*fleet(), Choice("steady_outlet_rise"))
    picture = fleet_plot(frame, "steady_outlet_rise", "us")
    marks = {trace.name: trace for trace in picture.data}
    assert list(marks) == ["known good", "fail"]
    assert marks["fail"].x[0] == pytest.approx(21.0 * 1.8)
    assert marks["fail"].customdata[0] == "2"
    anchors = [shape.xanchor for shape in picture.layout.shapes]
    assert anchors == [pytest.approx(38.0 * 1.8)] * 2
    assert fleet_plot(frame.clear(), "steady_outlet_rise", "si").data == ()


def test_a_large_fleet_is_counted_and_no_run_is_lost() -> None:
    runs, figures = fleet()
    frame = chosen(runs, figures, Choice("steady_outlet_rise"))
    times = MAX_MARKS // frame["value"].count() + 1
    many = pl.concat([frame.with_columns(pl.col("value") + 0.01 * place) for place in range(times)])
    picture = fleet_plot(many, "steady_outlet_rise", "si")
    counted = {
        bar.name: sum(int(re.search(r"<br>(\d+) ", text)[1]) for text in bar.text)  # type: ignore[index]
        for bar in picture.data
    }
    few = fleet_plot(frame, "steady_outlet_rise", "si")
    assert counted == {trace.name: times * len(trace.x) for trace in few.data}
    assert sum(len(bar.x) for bar in picture.data) < MAX_MARKS
    assert all(bar.customdata is None for bar in picture.data)  # a column leads to no car


def test_a_large_fleet_that_is_all_alike_is_one_column() -> None:
    frame = chosen(*fleet(), Choice("steady_outlet_rise"))
    known = frame.filter(pl.col("value").is_not_null())
    alike = pl.concat([known] * (MAX_MARKS // known.height + 1)).with_columns(value=pl.lit(50.0))
    for bar in fleet_plot(alike, "steady_outlet_rise", "si").data:
        assert bar.width > 0.0
        assert list(bar.x) == [pytest.approx(50.0, abs=bar.width)]


def test_limits_that_go_with_the_outside_air_are_one_bracket_and_a_field() -> None:
    frame = chosen(*fleet(), Choice("steady_outlet_rise"))
    assert not limits_vary(frame)
    family = frame.filter(pl.col("low").is_not_null())["family"][0]
    ours = frame.filter(pl.col("family") == family)
    colder = ours.with_columns(pl.col("low") + 4.0)
    both = pl.concat([frame, colder])
    assert limits_vary(both)
    shapes = fleet_plot(both, "steady_outlet_rise", "si").layout.shapes
    (field,) = [shape for shape in shapes if shape.type == "rect"]
    assert (field.x0, field.x1) == (38.0, 42.0)
    assert len(shapes) == len(fleet_plot(frame, "steady_outlet_rise", "si").layout.shapes) + 1


def test_states_of_the_fleet_page_are_checked() -> None:
    board = Board(few_samples_empty())
    state = state_of({"figure": "../x", "verdict": "<b>", "units": "us", "sort": "?"}, board)
    assert (state["figure"], state["verdict"], state["sort"]) == (
        "steady_outlet_rise", "any", "worst",
    )  # fmt: skip
    assert search_of(state, board) == "?units=us"


def few_samples_empty() -> FolderSource:
    return FolderSource.read([], "nothing")


# ---------------------------------------------------------------- strips


def test_a_strip_is_whole_and_holds_no_text_of_others() -> None:
    told = Strip("K", 38.0, None, 46.2, 0.9, "pass", [44.0, 45.0], {"fail": [20.0]})
    root = ET.fromstring(svg(told, "us"))  # noqa: S314 - made here
    texts = [each.text for each in root.iter() if each.text]
    assert texts
    assert all(float(text) == pytest.approx(float(text)) for text in texts)
    # 38 to 46.2 K are 68 to 83 °F: the scale is in the units shown
    assert max(float(text) for text in texts) > 60.0


@given(
    st.lists(st.floats(-1e6, 1e6), max_size=5),
    st.floats(-1e6, 1e6) | st.none(),
    st.floats(0.0, 1e6) | st.none(),
)
def test_any_numbers_make_a_strip(good: list[float], value: float | None, u: float | None) -> None:
    ET.fromstring(svg(Strip("K", None, None, value, u, "", good), "si"))  # noqa: S314


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e5))
def test_ticks_are_two_or_more_and_inside(first: float, span: float) -> None:
    ticks = nice_ticks(first, first + span)
    assert 2 <= len(ticks) <= 9
    assert all(first - 1e-6 * span <= tick <= first + span + 1e-6 * span for tick in ticks)


def test_where_a_value_lies_is_said_in_words() -> None:
    found = {"good_cars": 8, "percentile": 0.0, "usual": 46.04, "low": 39.12, "high": 52.6,
             "differs": True}  # fmt: skip
    assert family_text(found, "K", "si") == (
        "below all 8, differs", "usual 46.0, 95 % of cars 39.1 to 52.6",
    )  # fmt: skip
    assert family_text({**found, "percentile": 62.5, "differs": False}, "°C", "us") == (
        "above 62 % of 8", "usual 115, 95 % of cars 102 to 127",
    )  # fmt: skip
    assert family_text({}, "K", "si") == ("", "")


def test_a_car_stands_against_the_good_ones_and_not_itself(few: FolderSource) -> None:
    board = Board(few)
    run = id_of(few, "SC-001-baseline")
    found = standing(board, run, board.document(run) or {})
    assert found["steady_outlet_rise"]["good_cars"] == 4
    assert len(found["steady_outlet_rise"]["good"]) == 4
    complaint = id_of(few, "SC-014-complaint")
    found = standing(board, complaint, board.document(complaint) or {})
    assert found["steady_outlet_rise"]["good_cars"] == 5


# ---------------------------------------------------------------- limits page


def test_limits_and_the_cars_against_them() -> None:
    runs, figures = fleet()
    limits = {"steady_outlet_rise": Limit(38.0, None, "set here")}
    rows = limits_rows(runs, figures, limits, "Dunlin", "blend-air")
    assert [row.figure for row in rows] == ["steady_outlet_rise"]
    assert rows[0].judged == {"fail": [21.0]}
    assert rows[0].counts == {"fail": 1}
    good = limits_rows(runs, figures, limits, "Plover", "blend-air")[0]
    assert good.good == [46.2]
    assert good.judged == {}
    assert limits_rows(runs, figures, limits, "Plover", "combined")[0].counts == {}


def test_a_tuned_limit_leads_to_the_runs_it_lies_between() -> None:
    """By the beginning of an id; a run that the source does not have is left out."""
    runs, figures = fleet()
    good, bad = (runs.row(at, named=True) for at in (0, 1))
    tuned = Limit(38.0, None, "tuned", 0.0, (good["id"], "0123456789abcdef"), (bad["id"],))
    limits = {"steady_outlet_rise": tuned}
    row = limits_rows(runs, figures, limits, "Dunlin", "blend-air")[0]
    assert row.between == ([(good["vehicle"], good["id"])], [(bad["vehicle"], bad["id"])])
    assert f"run={bad['id']}" in str(row_cells(row, "si")[1])


# ---------------------------------------------------------------- sources and pages


def test_folders_are_read_once_and_judged_by_their_good_cars(few: FolderSource) -> None:
    assert few.runs().height == len(FEW)
    assert isinstance(few.baseline, Baseline)
    assert "good cars" in few.limits("Plover", "blend-air")["steady_outlet_rise"].basis
    assert few.limits("Knot", "blend-air")["steady_outlet_rise"].basis.count("default") == 1
    run = id_of(few, "SC-014-complaint")
    assert (few.document(run) or {})["run"]["vehicle"] == "SC-014"
    assert few.document("0" * 64) is None
    assert few.readings("0" * 64) is None
    assert few.figures(["coolant_plateau"], "Plover")["figure"].unique().to_list() == [
        "coolant_plateau"
    ]


def test_a_folder_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    bad = tmp_path / "SC-099"
    bad.mkdir()
    (bad / "run.toml").write_text("[run]\n", encoding="utf-8")
    source = FolderSource.read([bad, SAMPLES / FEW[0]], "two")
    assert source.runs().height == 1
    assert any("vehicle" in line for line in source.unusable["SC-099"])


@pytest.mark.parametrize(
    "run_id", ["", "../../etc/passwd", "0" * 63, "A" * 64, "u-" + "0" * 31, "0" * 64 + "\n"]
)
def test_only_ids_are_looked_up(few: FolderSource, run_id: str) -> None:
    board = Board(few)
    assert board.document(run_id) is None
    assert board.readings(run_id) is None
    assert board.analysis(run_id) is None


def test_the_tables_of_results_are_those_of_the_store(tmp_path: Path) -> None:
    from analysis.compare.stored import Edition, outcome
    from dashboard.web.store_source import StoreSource
    from ingest.files import find_files
    from ingest.load.load import load_run
    from ingest.store.store import Store

    folder = SAMPLES / "SC-001-baseline"
    run = load_run(folder)
    store = Store.open(tmp_path / "store")
    versions = Edition().versions("Plover", "blend-air")
    run_id = store.add(run, find_files(folder).raw(), outcome, versions).run_id
    source = StoreSource(store)
    document = source.document(run_id)
    assert document is not None
    told = run_record(run_id, document, -5.0)
    assert runs_frame([told]).schema == source.runs().schema
    assert runs_frame([told])["started"].to_list() == source.runs()["started"].to_list()
    assert figures_frame(figure_records(run_id, document, {})).schema == source.figures().schema
    readings = source.readings(run_id)
    assert readings is not None
    assert readings.rows == run.readings.height
    analysis = source.analysis(run_id)
    assert analysis is not None
    assert analysis.verdict == document["verdict"]
    assert "steady_outlet_rise" in source.limits("Plover", "blend-air")
    assert source.readings("0" * 64) is None
    assert source.analysis("0" * 64) is None
    store.close()


def test_what_is_kept_is_bounded() -> None:
    made: list[str] = []
    recent: Recent[str] = Recent(2)
    for key in ("a", "b", "a", "c", "a", "b"):
        recent.get(key, lambda key=key: made.append(key) or key)  # type: ignore[misc]
    assert made == ["a", "b", "c", "b"]


def test_pages_are_found_and_do_not_collide() -> None:
    pages = all_pages()
    assert {"/", "/car", "/limits", "/drop"} <= {page.path for page in pages}
    assert len({page.path for page in pages}) == len(pages)
    assert all(page.question.endswith("?") for page in pages)
    assert [page.order for page in pages] == sorted(page.order for page in pages)


def test_a_log_full_of_gaps_stays_small() -> None:
    time = np.cumsum(np.where(np.arange(60_000) % 3 == 2, 60.0, 0.5))
    frame = pl.DataFrame({"time_s": time, "outlet_degC": np.sin(time)})
    assert Readings(frame).line("outlet").time.size <= 2 * MAX_POINTS


# ---------------------------------------------------------------- light parts


def test_a_light_part_is_its_elements_as_lists() -> None:
    row = html.Tr([html.Td("<b>", className="x"), html.Td(5, **parts.aria(label="five"))])
    cells = ["td", {"class": "x"}, "<b>"], ["td", {"aria-label": "five"}, "5"]
    assert tree(row) == ["tr", {}, *cells]
    assert tree(html.Option("a", value="v", selected=True)) == [
        "option", {"selected": True, "value": "v"}, "a",
    ]  # fmt: skip
    assert tree(html.Span("s", style={"color": "red", "width": "2em"})) == [
        "span", {"style": "color:red;width:2em"}, "s",
    ]  # fmt: skip


def test_what_lives_is_no_light_part() -> None:
    with pytest.raises(TypeError, match="no plain element"):
        tree(html.Div([dcc.Input(id="x")]))
