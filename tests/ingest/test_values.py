"""Classes of values behave as the standard library's dataclasses do (`dataclasses`, Python)."""

from __future__ import annotations

import dataclasses
import pickle
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import values

OPTIONS: tuple[dict[str, bool], ...] = (
    {"frozen": True},
    {"frozen": True, "slots": True},
    {"slots": True},
    {"frozen": True, "eq": False},
    {"frozen": True, "repr": False},
    {},
)

Decorator = Callable[..., Any]


def pair_of(decorator: Decorator, options: dict[str, bool]) -> tuple[Any, Any]:
    """A class and one that adds to it."""

    class Reading:
        name: str
        value: float = 0.5
        remarks: tuple[str, ...] = ()
        at: float = dataclasses.field(default=0.0, compare=False)
        raw: list[int] = dataclasses.field(default_factory=list, repr=False, compare=False)

    base = decorator(Reading, **options) if not options else decorator(**options)(Reading)

    class Judged(base):  # type: ignore[misc, valid-type]
        verdict: str = "pass"

    return base, decorator(Judged, **options) if not options else decorator(**options)(Judged)


TEXTS = st.text(max_size=3)
FIELDS = st.fixed_dictionaries(
    {"name": TEXTS},
    optional={
        "value": st.sampled_from((0.0, -0.0, 0.5, 1.0, float("inf"))),
        "remarks": st.tuples(TEXTS),
        "at": st.sampled_from((0.0, 1.0)),
        "raw": st.lists(st.integers(), max_size=2),
    },
)


@pytest.mark.parametrize("options", OPTIONS, ids=str)
@given(one=FIELDS, other=FIELDS)
def test_values_compare_hash_and_show_as_the_standard_librarys_do(
    options: dict[str, bool], one: dict[str, Any], other: dict[str, Any]
) -> None:
    own = pair_of(values.dataclass, options)
    standard = pair_of(dataclasses.dataclass, options)
    for ours, theirs in zip(own, standard, strict=True):
        assert (ours(**one) == ours(**other)) == (theirs(**one) == theirs(**other))
        assert dataclasses.asdict(ours(**one)) == dataclasses.asdict(theirs(**one))
        assert dataclasses.replace(ours(**one), name="x").name == "x"
        assert (ours.__hash__ is None) == (theirs.__hash__ is None)
        if options.get("eq", True) and options.get("frozen"):
            assert hash(ours(**one)) == hash(theirs(**one))
        if options.get("repr", True):
            assert repr(ours(**one)) == repr(theirs(**one))
    base, more = own
    assert base(**one) != more(**one)
    assert base.__match_args__ == standard[0].__match_args__
    assert hasattr(base, "__slots__") == hasattr(standard[0], "__slots__")


@values.dataclass(frozen=True, slots=True)
class Kept:
    """A value that goes to another process."""

    name: str
    value: float = 0.5


@values.dataclass(frozen=True)
class Named:
    """A class with a comparison and a text of its own."""

    name: str

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Named) and self.name.lower() == other.name.lower()

    def __hash__(self) -> int:
        return hash(self.name.lower())

    def __repr__(self) -> str:
        return self.name


def test_a_value_goes_to_another_process_and_is_the_same() -> None:
    assert pickle.loads(pickle.dumps(Kept("outlet"))) == Kept("outlet")  # noqa: S301 - our own


def test_what_a_class_says_of_itself_is_kept() -> None:
    assert Named("A") == Named("a")
    assert hash(Named("A")) == hash(Named("a"))
    assert repr(Named("A")) == "A"
