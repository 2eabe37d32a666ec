"""The vocabulary of findings: every kind that reading a log or analyzing a run can make."""

from __future__ import annotations

import importlib
import importlib.util
import pkgutil
from collections.abc import Iterator
from functools import cache
from importlib.abc import InspectLoader
from typing import Final

from ingest.findings import FindingKind, registered

HOUSES: Final = ("ingest", "analysis")
"""Packages whose modules register kinds of findings."""

MARK: Final = "from ingest.findings import"
"""Stands in every module that registers one."""


@cache
def all_findings() -> dict[str, tuple[FindingKind, ...]]:
    """Every kind of finding, by name.

    Returns
    -------
    dict
        In order of their names; under each the kind, followed by the other ways it is said.

    Examples
    --------
    >>> gap, *_ = all_findings()["gap"]
    >>> gap.forbids
    False
    """
    for module in _modules():
        importlib.import_module(module)
    return registered()


def _modules() -> Iterator[str]:
    """Names of the modules that register kinds.

    Told by their sources: no list need be kept, and nothing else is imported (a port, a database).
    """
    for house in HOUSES:
        package = importlib.import_module(house)
        for found in pkgutil.walk_packages(package.__path__, f"{house}."):
            spec = importlib.util.find_spec(found.name)
            loader = spec.loader if spec is not None else None
            if isinstance(loader, InspectLoader) and MARK in (loader.get_source(found.name) or ""):
                yield found.name
