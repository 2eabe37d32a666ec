"""`dataclass` for classes of values, at less than a third of what they cost to define.

Some 150 such classes are defined before the first run is read. The standard decorator compiles six
methods for each that is frozen; here only `__init__` is compiled, and comparing, hashing and
showing are functions that look at the fields. That values are not changed is for the type checker
to see (``frozen=True``): at run time nothing stands in the way, which makes a value in a fifth of
the time as well.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable
    from dataclasses import dataclass as dataclass
else:

    def dataclass(cls: type | None = None, /, **options: bool) -> Any:
        """A class of values, as `dataclasses.dataclass` makes them; frozen for the type checker.

        Parameters
        ----------
        cls
            The class; None where the decorator is called with options.
        options
            `slots`, `eq` and `repr` as in the standard library; with `frozen` values can be hashed,
            and the type checker refuses to change them.
        """
        make = dataclasses.dataclass(eq=False, repr=False, slots=options.get("slots", False))

        def completed(given: type) -> type:
            made = make(given)
            fields = dataclasses.fields(made)
            own = made.__dict__
            if options.get("repr", True) and "__repr__" not in own:
                made.__repr__ = _showing([each.name for each in fields if each.repr])
            if options.get("eq", True):
                names = [each.name for each in fields if each.compare]
                hashable = own.get("__hash__")  # None also where a class compares in its own way
                if "__eq__" not in own:
                    made.__eq__ = _comparing(names)
                made.__hash__ = hashable or (_hashing(names) if options.get("frozen") else None)
            return made

        return completed if cls is None else completed(cls)


def _values(one: object, names: list[str]) -> tuple[Any, ...]:
    return tuple([getattr(one, name) for name in names])


def _showing(names: list[str]) -> Callable[[object], str]:
    def show(self: object) -> str:
        said = ", ".join(f"{name}={getattr(self, name)!r}" for name in names)
        return f"{type(self).__qualname__}({said})"

    return show


def _comparing(names: list[str]) -> Callable[[object, object], Any]:
    def compare(self: object, other: object) -> Any:
        if other.__class__ is not self.__class__:
            return NotImplemented
        return _values(self, names) == _values(other, names)

    return compare


def _hashing(names: list[str]) -> Callable[[object], int]:
    return lambda self: hash(_values(self, names))
