"""The pages of the board: one a module, found through one registry.

A module in this package that defines ``PAGE`` is a page: it appears in the navigation, in the order
of ``Page.order``, and answers at ``Page.path``. That is all there is to adding one.

``Page.layout`` gives the page as it opens: its controls with the values of the address, and its
results. ``Page.register`` adds the page's callbacks, a few lines each over plain functions, which
are asked when something changes, not when the page opens (``prevent_initial_call``). A page whose
state belongs in the address has a ``dcc.Location`` of its own and writes ``search`` there. Ids of
components begin with the module's name.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Mapping
from functools import cache
from typing import TYPE_CHECKING

from ingest.values import dataclass

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from dashboard.web.service import Board


@dataclass(frozen=True)
class Page:
    """One page.

    Parameters
    ----------
    path
        Where it answers, ``/fleet``.
    name
        In the navigation: one or two words.
    question
        What the page answers; the window's title.
    order
        Place in the navigation.
    layout
        The page for the values of an address (see `dashboard.web.address.read`).
    register
        Adds the page's callbacks to the application.
    plots
        Whether it nearly always shows a plot: the browser then fetches what draws it at once.
    first
        What stands there before any script has run, for the values of an address: the page's
        answer, as elements of `dash.html`, as `layout` begins. It goes when the page itself is
        there.
    style
        Of this page alone: a file of ``dashboard/board/assets``; empty for none.
    """

    path: str
    name: str
    question: str
    order: int
    layout: Callable[[Board, Mapping[str, str]], Component]
    register: Callable[[Dash, Board], None]
    plots: bool = False
    first: Callable[[Board, Mapping[str, str]], list[Component]] | None = None
    style: str = ""


@cache
def all_pages() -> tuple[Page, ...]:
    """Every page there is a module for, in the navigation's order."""
    found = []
    for module in pkgutil.iter_modules(__path__):
        page = getattr(importlib.import_module(f"{__name__}.{module.name}"), "PAGE", None)
        if isinstance(page, Page):
            found.append(page)
    return tuple(sorted(found, key=lambda page: page.order))
