"""One page a cause with its check, from the table of causes."""

from __future__ import annotations

from analysis.causes.knowledge import CauseRow, knowledge
from analysis.vocabulary import cause_words, check_words, figure_words
from dashboard.text.explain import moderate_move
from dashboard.text.shown import words
from docs.site.markdown import code, contents, page, plain, table


def cause_pages() -> dict[str, str]:
    """Text of every page by its path, and of the page that lists them."""
    listed = page(
        "# Causes",
        "What a run is explained by. `healthy` is one of them, and the probabilities of all sum "
        "to 1. How often they are right: [measured](../causes.md).",
        contents(cause_words()),
    )
    return {f"causes/{name}.md": _page(name) for name in cause_words()} | {
        "causes/index.md": listed
    }


def _page(name: str) -> str:
    rows = cause_words()[name]
    title = rows[0].title
    layouts = dict.fromkeys(layout for row in rows for layout in row.layouts)
    check = check_words()[rows[0].check]
    return page(
        f"# {plain(title[:1].upper() + title[1:])}",
        code(name),
        "\n".join(f"- {plain(each)}" for each in dict.fromkeys(row.title for row in rows))
        if len({row.title for row in rows}) > 1
        else "",
        f"Met in {plain(', '.join(layouts))} heaters. To be seen it takes "
        f"{plain(' or '.join(words(each) for each in rows[0].channels)) or 'no channel by itself'}"
        ".",
        *(part for row in rows for part in _form(row)),
        f"## The check: {plain(check.title)}",
        f"{code(check.name)}, {check.minutes:g} minutes.",
        plain(check.how),
        f"**Caution.** {plain(check.caution)}",
        f"Note what it found with `lukewarm checked RUN {check.name} --found yes` (or `no`).",
    )


def _form(row: CauseRow) -> list[str]:
    moves = [
        (
            f"[{plain(words(figure))}](../figures/{figure}.md)"
            if figure in figure_words()
            else plain(words(figure)),
            plain(moderate_move(row, figure, "si")),
        )
        for figure in row.moves
    ]
    signs = "\n".join(f"- {plain(knowledge().signs[sign].label)}" for sign in row.signs)
    if not moves and not signs:
        return []
    return [
        f"## What it does{f': {plain(row.form)}' if row.form else ''}",
        table(("figure", "a moderate case moves it by (known to about a third)"), moves),
        f"What it shows besides:\n\n{signs}" if signs else "",
    ]
