"""What a part of a page says, without a browser."""

from __future__ import annotations

import json
from typing import Any

from dash.development.base_component import Component


def texts(node: Any) -> list[str]:
    """Every text of a component in the order it stands there, light parts opened."""
    if node is None:
        return []
    if isinstance(node, list | tuple):
        return [text for each in node for text in texts(each)]
    if not isinstance(node, Component):
        return [str(node)]
    told = node.to_plotly_json()["props"]
    if "data-tree" in told:
        return _of_tree(json.loads(told["data-tree"]))
    return texts(told.get("children"))


def _of_tree(node: Any) -> list[str]:
    if isinstance(node, str):
        return [node]
    return [text for child in node[2:] for text in _of_tree(child)]
