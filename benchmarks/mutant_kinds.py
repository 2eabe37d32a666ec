"""Small changes to a module, one at a time: the mistakes that tests are to notice.

A comparison turned, an operator swapped, a number 10 % off (a whole number one off), a truth or a
condition turned, a minus lost, a function swapped for its counterpart. Left alone are docstrings
and other text, types, decorators, what is raised, and `strict=` of `zip`, which only guards.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

COMPARISONS: Final = {
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
OPERATORS: Final = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.FloorDiv, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
_PAIRS: Final = (
    ("min", "max"), ("minimum", "maximum"), ("nanmin", "nanmax"), ("argmin", "argmax"),
    ("any", "all"), ("floor", "ceil"), ("zeros", "ones"), ("zeros_like", "ones_like"),
    ("nanmean", "nanmedian"), ("exp", "expm1"), ("log", "log1p"),
    ("startswith", "endswith"), ("logical_and", "logical_or"),
)  # fmt: skip
FUNCTIONS: Final = {a: b for pair in _PAIRS for a, b in (pair, pair[::-1])}


@dataclass(frozen=True)
class Mutant:
    """One change, not yet made.

    Parameters
    ----------
    module
        Path of the module from the root.
    line
        Its line, counted from 1.
    source
        What stands in that line, without what surrounds it.
    tree
        The whole module.
    node, field, was, now
        What is changed in it: a field of a node.
    nth
        Which of several changes that read alike in that line it is, from 1.
    """

    module: str
    line: int
    source: str
    tree: ast.Module
    node: ast.AST
    field: str
    was: object
    now: object
    nth: int = 1

    @property
    def change(self) -> str:
        """What was there and what is to be there."""
        which = f" (no. {self.nth})" if self.nth > 1 else ""
        return f"{self._shown(self.was)} -> {self._shown(self.now)}{which}"

    @property
    def key(self) -> tuple[str, str, str]:
        """What it is known by when lines have shifted."""
        return self.module, self.source, self.change

    @property
    def text(self) -> str:
        """The whole module with the change."""
        return self._with(self.now, self.tree)

    def _shown(self, value: object) -> str:
        if isinstance(value, ast.expr):
            return ast.unparse(value)
        return self._with(value, self.node).partition("\n")[0]

    def _with(self, value: object, shown: ast.AST) -> str:
        setattr(self.node, self.field, value)
        try:
            return ast.unparse(shown)
        finally:
            setattr(self.node, self.field, self.was)


def mutants_of(root: Path, module: str) -> list[Mutant]:
    """Every change that can be made to a module."""
    before = (root / module).read_text(encoding="utf-8")
    lines = before.splitlines()
    tree = ast.parse(before)
    found = []
    alike: Counter[tuple[int, str]] = Counter()
    for node, field, was, now in _changes(tree):
        at = was if isinstance(was, ast.expr) else node
        if not isinstance(at, ast.expr | ast.stmt):
            continue
        source = lines[at.lineno - 1].strip()
        made = Mutant(module, at.lineno, source, tree, node, field, was, now)
        alike[at.lineno, made.change] += 1
        found.append(replace(made, nth=alike[at.lineno, made.change]))
    return found


_Change = tuple[ast.AST, str, object, object]
"""A node, the name of one of its fields, what stands in it and what is to stand in it."""


def _changes(tree: ast.AST) -> Iterator[_Change]:
    for node, field, child in _parts(tree):
        yield from _own_changes(child)
        if isinstance(child, ast.expr):
            value = getattr(node, field)
            for now in _stand_ins(node, field, child):
                if isinstance(value, list):
                    yield node, field, value, [now if each is child else each for each in value]
                else:
                    yield node, field, child, now
        yield from _changes(child)


def _parts(node: ast.AST) -> Iterator[tuple[ast.AST, str, ast.AST]]:
    """Children that are work: no types, decorators, text or guards."""
    if isinstance(node, ast.Raise | ast.JoinedStr | ast.Assert | ast.Import | ast.ImportFrom):
        return
    if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        return
    for field, value in ast.iter_fields(node):
        if field in {"annotation", "returns", "decorator_list", "ctx", "bases", "op", "ops"}:
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and getattr(child, "arg", "") != "strict":
                yield node, field, child


def _own_changes(node: ast.AST) -> Iterator[_Change]:
    """Changes to a node's operators and names."""
    if isinstance(node, ast.Compare):
        for place, op in enumerate(node.ops):
            turned = [*node.ops]
            turned[place] = COMPARISONS[type(op)]()
            yield node, "ops", node.ops, turned
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in OPERATORS:
        sides = [node.left, node.right] if isinstance(node, ast.BinOp) else [node.value]
        if not any(isinstance(side, _TEXT) or _is_text(side) for side in sides):
            yield node, "op", node.op, OPERATORS[type(node.op)]()
    elif isinstance(node, ast.BoolOp):
        yield node, "op", node.op, ast.Or() if isinstance(node.op, ast.And) else ast.And()
    elif isinstance(node, ast.Constant):
        yield from ((node, "value", node.value, now) for now in _off(node.value))
    elif isinstance(node, ast.Name) and node.id in FUNCTIONS and isinstance(node.ctx, ast.Load):
        yield node, "id", node.id, FUNCTIONS[node.id]
    elif isinstance(node, ast.Attribute) and node.attr in FUNCTIONS:
        yield node, "attr", node.attr, FUNCTIONS[node.attr]


_TEXT: Final = (ast.JoinedStr, ast.List, ast.Tuple)
"""What a plus joins: no arithmetic."""


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str | bytes)


def _off(value: object) -> Iterator[object]:
    if isinstance(value, bool):
        yield not value
    elif isinstance(value, int):
        yield value + 1
    elif isinstance(value, float):
        yield float(f"{1.1 * value:.6g}") if value else 1.0


def _stand_ins(node: ast.AST, field: str, child: ast.expr) -> Iterator[ast.expr]:
    """Expressions to stand in for one: a minus or a not lost, a condition turned."""
    if isinstance(child, ast.UnaryOp) and isinstance(child.op, ast.USub | ast.Not | ast.Invert):
        yield child.operand
    elif (
        field == "test"
        and isinstance(node, ast.If | ast.IfExp | ast.While)
        and not isinstance(child, ast.Compare | ast.BoolOp | ast.Constant)
    ):
        yield ast.UnaryOp(ast.Not(), child)
