"""The reference: commands, the keys of run.toml and of the guide, checks, findings, front door."""

from __future__ import annotations

import inspect
import typing
from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined
from typer.main import get_command

import lukewarm as lw
from analysis.vocabulary import check_words, finding_words
from dashboard.commands.main import app
from dashboard.live.keys import KEYS
from docs.site.markdown import code, contents, page, plain, table
from ingest.setup import model
from ingest.setup.serial import SerialTable

PAGES = ("commands", "run-toml", "keyboard", "checks", "findings", "front-door")

TABLES: dict[str, type[BaseModel]] = {
    "[run]": model.RunTable,
    "[log]": model.LogTable,
    "[log] time": model.TimeTable,
    "[channels.NAME]": model.ChannelTable,
    "[channels.NAME] scale": model.Scale,
    "[events]": model.EventsTable,
    "[sensors]": model.SensorsTable,
    "[bench]": model.BenchTable,
    "[serial]": SerialTable,
}
"""The tables of run.toml as people write them, with what validates them."""


def reference_pages() -> dict[str, str]:
    """Text of every page by its path."""
    return {
        "reference/index.md": page(
            "# Reference",
            "Written from the code. What scripts may rely on stands in the "
            "[contract](../contract.md).",
            "The names themselves, a page each: [figures](../figures/index.md) and "
            "[causes](../causes/index.md).",
            contents([*PAGES, "../contract"]),
        ),
        "reference/commands.md": page("# Commands", *_commands()),
        "reference/run-toml.md": page(
            "# Keys of run.toml",
            "What they mean is told in the [contract](../contract.md).",
            *_keys(),
        ),
        "reference/keyboard.md": page("# Keys of the guided recording", _keyboard()),
        "reference/checks.md": page("# Checks", *_checks()),
        "reference/findings.md": page("# Findings", _findings()),
        "reference/front-door.md": page("# `import lukewarm`", *_front_door()),
    }


def every_command() -> Iterator[tuple[str, Any]]:
    """Every command with its whole name, groups left out.

    They are commands of the library that typer is made of, which it brings along or imports.
    """
    waiting: list[tuple[str, Any]] = [("lukewarm", get_command(app))]
    while waiting:
        name, command = waiting.pop(0)
        below = getattr(command, "commands", {})
        waiting += [(f"{name} {word}", each) for word, each in below.items()]
        if not below:
            yield name, command


def _commands() -> Iterator[str]:
    for name, command in every_command():
        told, _, example = inspect.cleandoc(command.help or "").partition("Example: ")
        yield f"## {name}"
        yield plain(told)
        if example:
            yield f"```console\n$ {' '.join(example.split())}\n```"
        rows = [
            (code(_spelled(each)), plain(getattr(each, "help", "") or ""), _default(each))
            for each in command.params
            if each.name != "help"
        ]
        yield table(("argument or option", "means", "without it"), rows)


def _spelled(parameter: Any) -> str:
    if parameter.param_type_name == "option":
        return ", ".join([*parameter.opts, *parameter.secondary_opts])
    return str(parameter.metavar or parameter.name.upper()).strip("[]")


def _default(parameter: Any) -> str:
    if parameter.required:
        return "needed"
    default = parameter.default
    if default is None or callable(default) or default in ("", False, ()):
        return ""
    return code(getattr(default, "value", default))


def _keys() -> Iterator[str]:
    for title, kind in TABLES.items():
        yield f"## {plain(title)}"
        rows = []
        for name, each in kind.model_fields.items():
            alias = each.validation_alias
            rows.append(
                (
                    code(alias if isinstance(alias, str) else name),
                    plain(_type(each.annotation)),
                    "needed"
                    if each.is_required()
                    else ""
                    if each.default in (None, PydanticUndefined, ())
                    else code(each.default),
                )
            )
        yield table(("key", "takes", "without it"), rows)


def _type(kind: object) -> str:
    arguments = typing.get_args(kind)
    if typing.get_origin(kind) is typing.Literal:
        return ", ".join(str(each) for each in arguments)
    if arguments and typing.get_origin(kind) is not tuple:
        return " or ".join(_type(each) for each in arguments if each is not type(None))
    if typing.get_origin(kind) is tuple:
        return f"list of {_type(arguments[0])}"
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return "a table"
    names = {"str": "text", "float": "number", "int": "whole number", "bool": "true or false"}
    name = getattr(kind, "__name__", str(kind))
    return names.get(name, "date and time" if name == "datetime" else name)


def _keyboard() -> str:
    seen: dict[str, str] = {}
    for key in KEYS.values():
        does = f"{key.said} ({key.control})" if key.control else key.said
        seen.setdefault(key.shown, does)
    return table(("key", "does"), [(code(shown), plain(does)) for shown, does in seen.items()])


def _checks() -> Iterator[str]:
    for name, row in check_words().items():
        yield f"## {plain(row.title)}"
        yield f"{code(name)}, {row.minutes:g} minutes."
        yield plain(row.how)
        yield f"**Caution.** {plain(row.caution)}"


def _findings() -> str:
    return table(
        ("finding", "means", "what to do"),
        [
            (code(name), plain(each.meaning), plain(each.remedy))
            for name, each in finding_words().items()
        ],
    )


def _front_door() -> Iterator[str]:
    yield plain((lw.__doc__ or "").partition("::")[0].strip())
    for name in lw.__all__:
        each = getattr(lw, name)
        kind = "autoclass" if inspect.isclass(each) else "autofunction"
        if inspect.isclass(each) and issubclass(each, Exception):
            kind = "autoexception"
        where = f"{each.__module__}.{each.__qualname__}"
        members = "   :members:\n" if kind == "autoclass" else ""
        yield f"## `lw.{name}`"
        yield f"```{{eval-rst}}\n.. {kind}:: {where}\n{members}```"
