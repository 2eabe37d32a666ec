"""Names that a shell completes: `lukewarm --install-completion` asks for these."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import typer


def figure_names(incomplete: str) -> list[str]:
    """Every figure's name that begins so."""
    from analysis.vocabulary import figure_words

    return _beginning(figure_words(), incomplete)


def cause_names(incomplete: str) -> list[str]:
    """Every cause's name that begins so."""
    from analysis.vocabulary import cause_words

    return _beginning(cause_words(), incomplete)


def check_names(incomplete: str) -> list[str]:
    """Every check's name that begins so."""
    from analysis.vocabulary import check_words

    return _beginning(check_words(), incomplete)


def every_name(incomplete: str) -> list[str]:
    """Every figure's, cause's, check's and finding's name that begins so."""
    from analysis.vocabulary import all_names

    return _beginning(all_names(), incomplete)


def family_names(ctx: typer.Context, incomplete: str) -> list[str]:
    """The families of the store that stands on the line; none where it cannot be read."""
    # an option whose value is yet to come keeps the arguments from being told apart
    words = [ctx.params.get("store"), *ctx.args]
    store = next((Path(word) for word in words if word and Path(word).is_dir()), None)
    return [] if store is None else _beginning(_families(store), incomplete)


def _families(store: Path) -> Iterator[str]:
    from dashboard.places import open_store
    from ingest.errors import LukewarmError
    from ingest.store.read import runs

    try:
        found = runs(open_store(store, None))
    except LukewarmError:
        return  # a shell that completes is no place for an error
    yield from found["family"].drop_nulls().unique().sort()


def _beginning(names: Iterable[str], incomplete: str) -> list[str]:
    return [name for name in names if name.startswith(incomplete)]
