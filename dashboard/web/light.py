"""Parts of a page that only show: built by the browser from a list, not as Dash components.

Dash keeps a state for every component, which takes a browser a second for a table of fifty rows and
several for a choice among two thousand runs. A light part is one component whose content is written
as nested lists; ``assets/light.js`` makes elements of it, texts as texts and nothing else.
"""

from __future__ import annotations

import html as html_text
import json
from typing import Any, Final

from dash import html
from dash.development.base_component import Component

EMPTY: Final = frozenset(["img"])
"""Elements without an end."""

NAMES: Final = {"className": "class", "htmlFor": "for", "tabIndex": "tabindex", "id": "id"}


def light(component: Component) -> Component:
    """The component as a light part; it may hold elements of `dash.html` alone."""
    return as_light(tree(component))


def as_light(written: list[Any]) -> Component:
    """A light part from a tree (see `tree`), for elements that `dash.html` does not have."""
    told: dict[str, Any] = {"data-tree": json.dumps(written, ensure_ascii=False)}
    return html.Div(className="light", **told)


def tree(node: Any) -> Any:
    """A component as ``[tag, attributes, child, ...]``; a text as itself.

    Raises
    ------
    TypeError
        For a component that is no element of `dash.html`: nobody would bring it to life.
    """
    if not isinstance(node, Component):
        return "" if node is None else str(node)
    told = node.to_plotly_json()  # type: ignore[no-untyped-call]
    if told["namespace"] != "dash_html_components":
        msg = f"{told['type']} is no plain element"
        raise TypeError(msg)
    properties = dict(told["props"])
    children = properties.pop("children", None)
    below = children if isinstance(children, list | tuple) else [children]
    attributes = {
        NAMES.get(name, name): ";".join(f"{key}:{each}" for key, each in value.items())
        if name == "style"
        else value
        for name, value in properties.items()
        if value is not None and value is not False and name != "key"
    }
    return [
        told["type"].lower(),
        {name: True if value is True else str(value) for name, value in attributes.items()},
        *(tree(child) for child in below if child is not None),
    ]


def markup(node: Any) -> str:
    """A component as HTML: what a page shows before any script runs; texts as texts.

    Raises
    ------
    TypeError
        For a component that is no element of `dash.html`, a light part apart.
    """
    return _written(tree(node))


def _written(node: Any) -> str:
    if isinstance(node, str):
        return html_text.escape(node)
    tag, attributes, *children = node
    if "data-tree" in attributes:
        return _written(json.loads(attributes["data-tree"]))
    told = "".join(
        f" {name}" if value is True else f' {name}="{html_text.escape(value)}"'
        for name, value in attributes.items()
    )
    return f"<{tag}{told}>" + (
        "" if tag in EMPTY else f"{''.join(map(_written, children))}</{tag}>"
    )
