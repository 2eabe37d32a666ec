"""What a visitor can do with the run on a car's page: go on, send it on, save it, print it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.web import address, parts

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.pages.views.car_shown import Shown


def actions(shown: Shown) -> Component:
    """The run before and after this one in the list, and the link to this page."""
    kept = {"units": shown.units} if shown.units != shown.board.units else {}
    links = [
        html.A(text, href=address.link("/car", {"run": run, **kept}), className="same-page",
               id=f"run-{name}")
        for name, text, run in (
            ("previous", "Previous run", shown.previous), ("next", "Next run", shown.following),
        )
        if run
    ]  # fmt: skip
    copy = html.Button(
        "Copy the link to this page",
        className="button second copy-link",
        type="button",
        id="copy-link",
    )
    return html.Div([*links, copy, papers(shown)], className="actions screen-only")


def papers(shown: Shown) -> Component:
    """The report as a file, and what other programs read."""
    kept = {"run": shown.run, "before": shown.before, "units": shown.units}
    what = {"run": shown.run}

    def save(text: str, path: str, **more: str) -> Component:
        return html.Li(html.A(text, href=address.link(path, what | more), download=""))

    about = (
        "On this repair, before and after: a page each for the owner, the work order and the "
        "warranty file."
        if shown.before
        else "A page each for the owner, the work order and the warranty file."
    )
    return html.Details(
        [
            html.Summary("Report and files"),
            html.H2("The report"),
            parts.quiet(f"{about} What is left empty is printed to be filled in by hand."),
            html.Form(
                [
                    parts.kept(kept),
                    parts.field("order", "Order number", "", of=shown.run),
                    parts.field("odometer", "Odometer, with its unit", "", of=shown.run),
                    parts.field("technician", "Technician", "", of=shown.run),
                    parts.field("done", "What was done", "", of=shown.run, wide="broad"),
                    html.Div(
                        [
                            html.Button("Report as PDF", name="format", value="pdf",
                                        type="submit", className="button"),
                            html.Button("Report as HTML", name="format", value="html",
                                        type="submit", className="button second"),
                        ],
                        className="buttons",
                    ),
                ],
                method="get",
                action="/report",
                className="controls",
            ),
            html.H2("Files for other programs"),
            html.Ul(
                [
                    save("Readings in physical units (CSV)", "/readings", format="csv"),
                    save("Readings in physical units (Parquet)", "/readings", format="parquet"),
                    save("The result (JSON)", "/result"),
                ],
                className="plain",
            ),
        ],
        className="papers",
        id="papers",
        **parts.about(shown.run),
    )  # fmt: skip
