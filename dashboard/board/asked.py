"""What a page may ask of the board: requests no page could have sent are refused with one line.

Dash takes a request for a callback as it comes, and whatever in it is missing or of another kind
becomes an error somewhere inside. Here its shape is held against the callback it names first.
"""

from __future__ import annotations

import logging
import traceback
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from dash.exceptions import DashException, DependencyException
from flask import Response, abort, request
from werkzeug.exceptions import HTTPException

if TYPE_CHECKING:
    from dash import Dash
    from flask import Flask

CALLBACKS: Final = "/_dash-update-component"

KINDS: Final[Mapping[str, tuple[type, ...]]] = {
    "pathname": (str,),
    "search": (str,),
    "n_clicks": (int,),
    "n_intervals": (int,),
    "contents": (list,),
    "filename": (list,),
    "relayoutData": (dict,),
    "clickData": (dict,),
}
"""What a component's property can be, besides null; others can be anything."""

MISTAKES: Final = (
    ArithmeticError, AttributeError, DashException, LookupError, RecursionError, TypeError,
    ValueError,
)  # fmt: skip
"""What becomes of a value that a page's own components cannot have sent."""

log = logging.getLogger("lukewarm.board")


def refuse_malformed(app: Dash) -> None:
    """Answer requests that cannot be meant with 4xx, and keep them to one line in the log."""
    server: Flask = app.server

    @server.before_request
    def check() -> None:
        if request.path != CALLBACKS or request.method != "POST":
            return
        try:
            asked = request.get_json()
        except RecursionError:
            abort(400, "That is nested too deep.")
        wrong = what_is_wrong(asked, app.callback_map)
        if wrong is not None:
            abort(400, wrong)

    @server.errorhandler(DependencyException)
    def no_script(error: DependencyException) -> Response:
        del error
        return Response("There is no such file.", 404, mimetype="text/plain")

    def mistake(error: Exception) -> Any:
        if request.path != CALLBACKS or isinstance(error, HTTPException):
            raise error
        place = traceback.extract_tb(error.__traceback__)[-1]
        log.error(
            "a request could not be answered: %s in %s line %s",
            type(error).__name__, place.name, place.lineno,
        )  # fmt: skip
        return Response("That cannot be answered.", 400, mimetype="text/plain")

    for kind in MISTAKES:
        server.register_error_handler(kind, mistake)


def what_is_wrong(asked: object, known: Mapping[str, Mapping[str, Any]]) -> str | None:
    """Why a request is for no callback there is; None where it may be one.

    Parameters
    ----------
    asked
        The request's JSON.
    known
        Dash's callbacks by their output.
    """
    if not isinstance(asked, dict):
        return "That is no request of a page."
    output = asked.get("output")
    callback = known.get(output) if isinstance(output, str) else None
    if callback is None or "callback" not in callback:
        return "Nothing here gives that."
    changed = asked.get("changedPropIds", [])
    if not isinstance(changed, list) or not all(isinstance(each, str) for each in changed):
        return "What has changed is not said."
    for part in ("inputs", "state"):
        wanted, given = callback[part], asked.get(part, [])
        if not isinstance(given, list) or len(given) != len(wanted):
            return f"Its {part} are others."
        if not all(map(_fits, wanted, given)):
            return f"Its {part} are others."
    return None


def _fits(wanted: Mapping[str, str], given: object) -> bool:
    """Whether a value comes from the component a callback listens to."""
    if wanted["id"].startswith("{"):  # from any number of components
        return isinstance(given, Sequence) and all(
            isinstance(each, dict)
            and isinstance(each.get("id"), dict)
            and each.get("property") == wanted["property"]
            and _kind_fits(wanted["property"], each.get("value"))
            for each in given
        )
    return (
        isinstance(given, dict)
        and given.get("id") == wanted["id"]
        and given.get("property") == wanted["property"]
        and _kind_fits(wanted["property"], given.get("value"))
    )


def _kind_fits(name: str, value: object) -> bool:
    kinds = KINDS.get(name)
    if value is None or kinds is None:
        return True
    return isinstance(value, kinds) and not isinstance(value, bool)
