"""The kinds of findings: each registered once, in the module that makes it.

``GAP = finding("gap", "{name} has a gap of {longest:.1f s}", do="...")`` at the top of a module is
all that adds one; ``GAP.found(...)`` makes a `Finding` of it, ``GAP.name`` is what others match.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from ingest.run import Finding
from ingest.saying import Value, fields, say
from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One kind of finding, as a sentence that waits for its numbers.

    Parameters
    ----------
    name
        Lower case with underscores, as results carry it.
    sentence
        A template of `ingest.saying`.
    do
        What a technician does about it, one sentence.
    forbids
        Whether the readings concerned must not be used; otherwise it only warns.
    doubts_sensor
        Whether it puts the sensor of its channel in doubt.
    """

    name: str
    sentence: str
    do: str
    forbids: bool = False
    doubts_sensor: bool = False

    def found(
        self,
        channel: str | None = None,
        from_s: float | None = None,
        to_s: float | None = None,
        /,
        *,
        evidence: Mapping[str, float | str] | None = None,
        **values: Value,
    ) -> Finding:
        """Make a finding of this kind.

        Parameters
        ----------
        channel, from_s, to_s, evidence
            See `Finding`.
        **values
            What stands in the sentence.

        Raises
        ------
        KeyError
            Where the sentence asks for a value that was not given.
        """
        detail = say(self.sentence, **values)
        return Finding(
            self.name, detail, channel, from_s, to_s, self.forbids, evidence if evidence else {}
        )

    def also(self, sentence: str, *, forbids: bool | None = None) -> FindingKind:
        """The same kind said in another way, where it is met otherwise."""
        return _registered(
            FindingKind(
                self.name,
                sentence,
                self.do,
                self.forbids if forbids is None else forbids,
                self.doubts_sensor,
            )
        )


_KINDS: Final[dict[str, list[FindingKind]]] = {}


def finding(
    name: str, sentence: str, *, do: str, forbids: bool = False, doubts_sensor: bool = False
) -> FindingKind:
    """Register a kind of finding (see `FindingKind`).

    Raises
    ------
    ValueError
        Where the name is taken, or the sentence is no template.
    """
    if name in _KINDS:
        raise ValueError(f"two kinds of finding are called {name!r}")
    return _registered(FindingKind(name, sentence, do, forbids, doubts_sensor))


def _registered(kind: FindingKind) -> FindingKind:
    fields(kind.sentence)
    _KINDS.setdefault(kind.name, []).append(kind)
    return kind


def registered() -> dict[str, tuple[FindingKind, ...]]:
    """Kinds of the modules loaded so far, by name: first as registered, then said otherwise.

    `analysis.findings.all_findings` loads every module that has some.
    """
    return {name: tuple(kinds) for name, kinds in sorted(_KINDS.items())}


def doubts_sensor(name: str) -> bool:
    """Whether findings of this name put a sensor in doubt; False for names not registered."""
    return any(kind.doubts_sensor for kind in _KINDS.get(name, ()))
