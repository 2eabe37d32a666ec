"""Fleet: which heaters are not as warm as they should be, and which car to look at first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update

from analysis.figures import KEY_FIGURE, all_figures
from dashboard.pages import Page
from dashboard.pages.views.fleet import (
    SORTS,
    WORST_FIRST,
    Choice,
    cause_title,
    chosen,
    families,
    page_of,
)
from dashboard.pages.views.fleet_answer import causes_table, sentences
from dashboard.plots.fleet import (
    NO_FAMILY,
    fleet_plot,
    is_counted,
    limits_vary,
    row_figure,
)
from dashboard.text.shown import clean, figure_text, limit_text, words
from dashboard.web import address, parts

if TYPE_CHECKING:
    import polars as pl
    from dash.development.base_component import Component

    from dashboard.web.service import Board

PATH: Final = "/"
TITLE: Final = "Which heaters are not as warm as they should be?"
PURPOSES: Final = ("complaint", "after-repair", "baseline", "road-test")
ANY: Final = "any"


def state_of(told: Mapping[str, str], board: Board) -> dict[str, str]:
    """The page's state from an address, every word checked."""
    names = [each.name for each in all_figures()]
    return {
        "figure": address.one_of(told.get("figure"), names, KEY_FIGURE),
        "family": told.get("family", ANY),
        "verdict": address.one_of(told.get("verdict"), WORST_FIRST, ANY),
        "purpose": address.one_of(told.get("purpose"), PURPOSES, ANY),
        "cause": told.get("cause", ANY),
        "sort": address.one_of(told.get("sort"), SORTS, "worst"),
        "text": told.get("text", ""),
        "units": address.one_of(told.get("units"), parts.UNITS, board.units),
        "page": told.get("page", "1"),
    }


def search_of(state: Mapping[str, str], board: Board) -> str:
    """The address for a state; what goes without saying is left out."""
    usual = state_of({}, board)
    return address.write({key: value for key, value in state.items() if value != usual[key]})


def choice_of(state: Mapping[str, str]) -> Choice:
    """Which runs a state means."""
    picked = {
        key: "" if state[key] == ANY else state[key]
        for key in ("family", "verdict", "purpose", "cause")
    }
    return Choice(state["figure"], **picked, text=state["text"], sort=state["sort"])


def layout(board: Board, told: Mapping[str, str]) -> Component:
    """The page."""
    state = state_of(told, board)
    if not board.source.runs().height:
        nothing = parts.first_run(board.source.title)
        return html.Div([html.H1(TITLE), *nothing, *_unusable(board)])
    names = sorted({name or NO_FAMILY for name in board.source.runs()["family"].to_list()})
    if state["family"] != ANY and state["family"] not in names:
        names.append(state["family"])
    said, summary, question, picture, table = results(board, state)
    return html.Div(
        [
            dcc.Location(id="fleet-address", refresh=False),
            dcc.Location(id="fleet-go", refresh=True),
            html.H1(TITLE),
            html.Div(said, id="fleet-answer", **parts.aria(live="polite")),
            html.Details(
                [html.Summary("Choose, search and order"), controls(state, names, board)],
                className="fold",
                open=True,
            ),
            html.Div(summary, id="fleet-results"),
            html.Div(table, id="fleet-table"),
            html.Section(
                [
                    html.H2(question, id="fleet-question"),
                    html.Div(picture, id="fleet-picture-place"),
                ]
            ),
        ]
    )


def controls(state: Mapping[str, str], names: list[str], board: Board) -> Component:
    """What can be chosen."""
    there = {name for name in board.source.runs()["first_cause"].unique().to_list() if name}
    there |= {state["cause"]} - {ANY}
    causes = {name: clean(cause_title(name)) for name in sorted(there)}
    every = {ANY: "all"}
    usual = state_of({}, board)

    def choice(name: str, label: str, options: Mapping[str, str]) -> Component:
        return parts.select(name, label, options, state[name], usual=usual[name])

    return parts.form(
        "fleet-form",
        choice("figure", "Figure", {each.name: words(each.name) for each in all_figures()}),
        choice("family", "Family", every | {name: clean(name) for name in names}),
        choice("verdict", "Verdict", every | {word: word for word in WORST_FIRST}),
        choice("purpose", "Purpose", every | {word: word for word in PURPOSES}),
        choice("cause", "Likeliest cause", every | causes),
        choice("sort", "Order", SORTS),
        parts.field("text", "Car, cause or failed figure has", state["text"]),
        parts.units(state["units"], usual["units"]),
    )


def families_table(runs: pl.DataFrame) -> Component:
    """How each family fares."""
    rows = [
        [
            clean(each["family"]),
            str(each["cars"]),
            str(each["runs"]),
            str(each["good"]),
            *(str(each[word]) for word in WORST_FIRST),
        ]
        for each in families(runs)
    ]
    heads = ("Family", "Cars", "Runs", "Known good", "✕ fail", "? undecided", "– not measured",
             "✓ pass")  # fmt: skip
    told = parts.table(heads, rows, "Cars, runs and verdicts of each family", "counts")
    return parts.wide(told, "Families")


def car_link(run_id: str, state: Mapping[str, str]) -> str:
    """Address of a run's page that keeps the visitor's units."""
    return address.link("/car", {"run": run_id, "units": state.get("units")})


def runs_table(frame: pl.DataFrame, state: Mapping[str, str], board: Board) -> Component:
    """The runs chosen, a page of them, each leading to its car."""
    rows, page, pages = page_of(frame, int(address.number(state["page"], 1) or 1))
    units = state["units"]
    body = []
    others = board.source.judged_otherwise()
    for row in rows.iter_rows(named=True):
        href = car_link(row["id"], {} if units == board.units else state)
        started = row["started"]
        about = (row["family"], row["purpose"], f"{started:%Y-%m-%d}" if started else None)
        figure = row_figure(row)
        mark = "judged by other limits or good cars than those in force" * (row["id"] in others)
        body.append(
            [
                parts.stacked(
                    html.A(clean(row["vehicle"]), href=href),
                    " · ".join(str(part) for part in about if part),
                ),
                parts.stacked(parts.answered(board.document(row["id"]) or {}, units), mark),
                parts.stacked(
                    html.Span(figure_text(figure, units) or "–", className="number"),
                    limit_text(figure, units),
                ),
            ]
        )
    heads = ("Car", "What its run says", f"{words(state['figure'])}, limits")
    caption = f"Runs, {SORTS[state['sort']]}"
    return html.Section(
        [
            html.H2("Which car first?"),
            parts.table(heads, body, caption, "runs"),
            _pager(state, page, pages, board),
            html.P(
                html.A(
                    "Save these runs as a table (CSV)", href=f"/fleet.csv{search_of(state, board)}"
                )
            ),
        ]
    )


def _pager(state: Mapping[str, str], page: int, pages: int, board: Board) -> Component:
    if pages == 1:
        return html.Div()
    links: list[Any] = [html.Span(f"Page {page} of {pages}")]
    for kind, name, other in (
        ("earlier", "Earlier rows", page - 1), ("more", "More rows", page + 1),
    ):  # fmt: skip
        if 1 <= other <= pages:
            there = search_of({**state, "page": str(other)}, board)
            links.append(
                html.A(name, href=f"{PATH}{there}", className="same-page", id=f"rows-{kind}")
            )
    return html.Nav(links, className="pager", **parts.aria(label="Pages of the table"))


def wanted_figures(board: Board, choice: Choice) -> pl.DataFrame:
    """The chosen figure of every run; all figures where a text is looked for among those failed."""
    return board.source.figures(None if choice.text else [choice.figure])


def _others(board: Board, frame: pl.DataFrame) -> list[Component]:
    """A word on runs that something else judged than what is in force."""
    count = len(board.source.judged_otherwise() & set(frame["id"].to_list()))
    if not count:
        return []
    return [
        parts.quiet(
            f"{count} of these runs were judged by other limits or good cars than those now in "
            f"force: bring them up to date with lukewarm store refresh {board.source.title}."
        )
    ]


def _unusable(board: Board) -> list[Component]:
    """Run folders that could not be read, and why."""
    told = [f"{name}: {'; '.join(lines)}" for name, lines in sorted(board.source.unusable.items())]
    if not told:
        return []
    return [
        html.Details(
            [
                html.Summary(f"{len(told)} run folders could not be used"),
                parts.plain_list((line[:500] for line in told[:50]), kind="faults"),
            ]
        )
    ]


def results(board: Board, state: Mapping[str, str]) -> tuple[Any, ...]:
    """What the page shows for a state: answer, summary, the picture's question, picture, table."""
    choice = choice_of(state)
    frame = chosen(board.source.runs(), wanted_figures(board, choice), choice)
    said: list[Any] = [
        *(html.P(line, className="reply") for line in sentences(frame)),
        *_others(board, frame),
    ]
    if not frame.height:
        units = {"units": state["units"]} if state["units"] != board.units else {}
        every = html.A("Show all runs", href=address.link(PATH, units), className="same-page")
        return [*said, html.P(every)], _unusable(board), "", [], []
    summary: list[Any] = [
        causes_table(frame, state),
        html.Details([html.Summary("Verdicts by family"), families_table(frame)]),
    ]
    summary += _unusable(board)
    question = f"Where does each family lie in its {words(choice.figure)}?"
    table = runs_table(frame, state, board)
    if not frame["value"].count():
        none = html.P(f"The {words(choice.figure)} was measured in none of these runs.")
        return said, summary, question, none, table
    drawn = fleet_plot(frame, choice.figure, state["units"])
    picture = [
        parts.graph("fleet-picture", drawn, drawn.layout.height),
        parts.quiet(_key(frame)),
    ]
    return said, summary, question, picture, table


def _key(frame: pl.DataFrame) -> str:
    """What stands in the picture."""
    if is_counted(frame):
        told = (
            "Columns count runs, the highest of all is as high as its row. Choose a family or a "
            "cause, or search for a car, to see a mark a run."
        )
    else:
        told = "One mark a run. Click a mark, or a car in the table, to see its run."
    told += " Brackets are the limits each family was judged by"
    if limits_vary(frame):
        told += (
            "; they go with the outside air and the blower, and the gray field reaches to the "
            "strictest"
        )
    return f"{told}."


def register(app: Dash, board: Board) -> None:
    """Add the page's callbacks."""

    @app.callback(
        Output("fleet-answer", "children"),
        Output("fleet-results", "children"),
        Output("fleet-question", "children"),
        Output("fleet-picture-place", "children"),
        Output("fleet-table", "children"),
        Input("fleet-address", "search"),
        prevent_initial_call=True,
    )
    def show(search: str) -> tuple[Any, ...]:
        return results(board, state_of(address.read(search), board))

    @app.callback(
        Output("fleet-go", "href"),
        Input("fleet-picture", "clickData"),
        State("fleet-address", "search"),
        prevent_initial_call=True,
    )
    def go(clicked: dict[str, Any] | None, search: str) -> Any:
        run = clicked["points"][0].get("customdata") if clicked else None
        # a column is no run
        return car_link(str(run), address.read(search)) if run else no_update


def first(board: Board, told: Mapping[str, str]) -> list[Component]:
    """The answer, before any script has run."""
    runs = board.source.runs()
    choice = choice_of(state_of(told, board))
    if not runs.height:
        return [html.H1(TITLE), *parts.first_run(board.source.title)]
    frame = chosen(runs, wanted_figures(board, choice), choice)
    return [html.H1(TITLE), *(html.P(line, className="reply") for line in sentences(frame))]


PAGE = Page(PATH, "Fleet", TITLE, 20, layout, register, plots=True, first=first)
