"""Which measuring point a column's name and unit speak for; never the size of its numbers.

A name is cut into words (`words_of`), each word into kinds by the lexicon ``draft_words.toml``,
and the rules of that file say which kinds together name a point. A proposal is *sure* where every
word of the name is explained, *likely* where some are not or the rule itself is weak; a unit of
another quantity, a word for another part of the car, or two columns with equal claims to one
point leave the point unknown. Wrong is worse than unknown.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from importlib import resources
from typing import Final, Literal

from ingest.points import POINTS
from ingest.sensors.units import UnknownUnit, conversion
from ingest.table.units import demangle, split_unit
from ingest.values import dataclass

Confidence = Literal["sure", "likely", "unknown"]

_UMLAUTS: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "ø": "oe", "å": "a"})
_ONE_OF_SEVERAL: Final = re.compile(r"(?<![\d.])(?:[2-9]|[1-9]\d)\b")
_SCALED: Final = re.compile(r"[\[(]([^\[\]()]*\d[^\[\]()]*)[\])]\s*$")
"""A bracket at a name's end that has a number beside its unit: ``[0.1 °C]``, ``(°C x10)``."""

_OF_STATION: Final = re.compile(r"(?i)(?<=[^\W_])[_ ](?:avg|average|mean)$")
_COOLANT_HEATER: Final = re.compile(
    r"\b(?:(?:coolant|water|auxiliary|aux|parking|fuel[ _-]fired|park)[ _-]?heater"
    r"|(?:stand|zusatz|wasser|kuehlmittel)heizung|(?:zu|wasser|kuehlmittel)heizer)(?![a-z])"
)
"""What heats the coolant where no engine does: a device, not the heater in the car."""
_CLOSING: Final = (")", "]", "}", ">")
_ELECTRICAL: Final = frozenset({"voltage", "resistance"})
_LINKS: Final = ("s", "n", "en", "es", "e")
_SHORTEST_PART: Final = 3
_EXPLAINS_NOTHING: Final = frozenset({"neutral", "air", "temperature", "n"})
_TYPE_LETTERS: Final = frozenset("BEJKNRST")


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a column seems to be.

    Parameters
    ----------
    column
        1-based number; 0 for a channel of a long log.
    name
        As in the log, stripped.
    point
        The measuring point, or None where it is not clear.
    unit
        The unit as the log writes it, or None.
    confidence
        ``sure``, ``likely`` (to be checked) or ``unknown``.
    reason
        Why, in a few words.
    thermocouple
        Letter type where the name says it.
    """

    column: int
    name: str
    point: str | None
    unit: str | None
    confidence: Confidence
    reason: str
    thermocouple: str | None = None


@dataclass(frozen=True, slots=True)
class _Rule:
    point: str
    needs: tuple[frozenset[str], ...]
    may: frozenset[str]
    without: frozenset[str]
    unit: str | None
    sure: bool


@dataclass(frozen=True, slots=True)
class _Match:
    rule: _Rule
    explained: int


def propose(
    columns: Sequence[tuple[int, str, str | None]], *, of_station: bool = False
) -> list[Proposal]:
    """Propose measuring points for columns.

    Parameters
    ----------
    columns
        As (number, name, unit).
    of_station
        Whether a measuring station wrote them, which says in a row of its own how it makes one
        reading of many, and in the names once more: ``Outlet_Mean`` is its reading of ``Outlet``.
    """
    lettered = sum(_type_letter(name) in {"K", "J", "N", "E"} for _, name, _ in columns) > 0
    found = [
        replace(_propose_one(number, _OF_STATION.sub("", name), unit), name=name)
        if of_station
        else _propose_one(number, name, unit)
        for number, name, unit in columns
    ]
    found = _out_and_in(found)
    found = [
        replace(proposal, thermocouple=letter)
        if (letter := _type_letter(proposal.name)) and (letter != "T" or lettered)
        else proposal
        for proposal in found
    ]
    return _without_rivals(found)


def words_of(name: str) -> list[str]:
    """Words of a name in lower case without accents; umlauts are spelled out."""
    text = demangle(name).replace("°", " ")
    bare, unit = split_unit(text)
    if unit is not None and text.rstrip().endswith(_CLOSING):
        text = bare
    text = re.sub(r"(?<=[a-zäöüß])(?=[A-ZÄÖÜ])|(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    text = _COOLANT_HEATER.sub(" coolantheater ", text.casefold().translate(_UMLAUTS))
    text = unicodedata.normalize("NFKD", text)
    return re.findall(r"[a-z]+", "".join(c for c in text if not unicodedata.combining(c)))


@cache
def _lexicon() -> tuple[dict[str, frozenset[str]], tuple[_Rule, ...]]:
    text = resources.files("ingest.draft").joinpath("words.toml").read_text(encoding="utf-8")
    document = tomllib.loads(text)
    kinds: dict[str, set[str]] = {}
    for kind, words in document["words"].items():
        for word in words:
            kinds.setdefault(word, set()).add(kind)
    rules = tuple(
        _Rule(
            rule["point"],
            tuple(frozenset(needs) for needs in rule["needs"]),
            frozenset(rule.get("may", ())),
            frozenset(rule.get("without", ())),
            rule.get("unit"),
            rule.get("sure", True),
        )
        for rule in document["rules"]
    )
    return {word: frozenset(of) for word, of in kinds.items()}, rules


def kinds_of(word: str) -> list[frozenset[str]]:
    """Kinds of a word, or of the parts of a compound; an unknown word gives one empty set."""
    lexicon, _ = _lexicon()
    if word in lexicon:
        return [lexicon[word]]
    parts = _parts(word)
    return [lexicon[part] for part in parts] if parts else [frozenset()]


@cache
def _parts(word: str) -> tuple[str, ...] | None:
    """The fewest known words that make up a compound, links between them allowed."""
    if len(word) > 40:
        return None
    lexicon, _ = _lexicon()
    best: dict[int, tuple[str, ...]] = {0: ()}
    for end in range(1, len(word) + 1):
        for start in list(best):
            part = word[start:end]
            if part in lexicon and (len(part) >= _SHORTEST_PART or (part == "t" and not start)):
                made = (*best[start], part)
            elif start and part in _LINKS:
                made = best[start]
            else:
                continue
            if end not in best or len(made) < len(best[end]):
                best[end] = made
    return best.get(len(word)) or None


def _propose_one(number: int, name: str, unit: str | None) -> Proposal:
    unknown = Proposal(number, name, None, unit, "unknown", "the name says no measuring point")
    spelled = name.strip().lower()
    if spelled in POINTS:
        return _checked(replace(unknown, point=spelled, confidence="sure", reason="its own name"))
    words = words_of(name)
    kinds = [kind for word in words for kind in kinds_of(word)]
    dimension = _dimension(unit)
    matches = [match for rule in _lexicon()[1] if (match := _match(rule, kinds, dimension))]
    best = max(matches, key=lambda match: (match.explained, match.rule.sure), default=None)
    strange = [word for word in words if frozenset() in kinds_of(word)]
    if best is None or len(strange) > best.explained:
        foreign = [word for word in words if any("foreign" in kind for kind in kinds_of(word))]
        if foreign:
            return replace(unknown, reason=f"{foreign[0]!r} is no point of the heater")
        return unknown
    sure = best.rule.sure and not strange
    if not sure and _ONE_OF_SEVERAL.search(name):
        return replace(unknown, reason=f"it may be one of several for {best.rule.point}")
    reason = "the name says so" if sure else "the name fits, but others would fit too"
    if best.rule.sure and strange:
        reason = f"the name says so, but {strange[0]!r} is not explained"
    found = replace(
        unknown, point=best.rule.point, confidence="sure" if sure else "likely", reason=reason
    )
    return _checked(found)


def _match(rule: _Rule, kinds: Sequence[frozenset[str]], dimension: str | None) -> _Match | None:
    """How many words of a name a rule explains; None where it does not apply."""
    if rule.unit is not None and rule.unit != dimension:
        return None
    if any(kind & rule.without for kind in kinds):
        return None
    best: _Match | None = None
    for needs in rule.needs:
        if not all(any(need in kind for kind in kinds) for need in needs):
            continue
        allowed = needs | rule.may
        # a known word the rule does not speak of is another part of the car or another quantity
        if any(kind and not kind & (allowed | _EXPLAINS_NOTHING) for kind in kinds):
            continue
        explained = sum(bool(kind & allowed) for kind in kinds)
        if best is None or explained > best.explained:
            best = _Match(rule, explained)
    return best


def _dimension(unit: str | None) -> str | None:
    if unit is None:
        return None
    try:
        return conversion(unit, "temperature").dimension
    except UnknownUnit:
        return "unknown"


def _checked(proposal: Proposal) -> Proposal:
    """The proposal, or an unknown one where its unit is of another quantity."""
    if proposal.point is None:
        return proposal
    if proposal.unit is None:
        return _with_letter(proposal)
    quantity = POINTS[proposal.point].name
    dimension = _dimension(proposal.unit)
    if dimension == quantity:
        return proposal
    if dimension in _ELECTRICAL and quantity in {"temperature", "pressure", "position"}:
        return proposal  # the sensor's own signal
    if dimension == "unknown":
        return replace(
            proposal, confidence="likely", reason=f"{proposal.unit!r} is no unit that is known"
        )
    return replace(
        proposal,
        point=None,
        confidence="unknown",
        reason=f"it reads like {proposal.point}, but {proposal.unit!r} is no {quantity}",
    )


def _with_letter(proposal: Proposal) -> Proposal:
    """Take a C or F that ends the name of a temperature (``T_amb_C``) for its unit."""
    last = words_of(proposal.name)[-1]
    unit = {"c": "degC", "degc": "degC", "f": "degF", "degf": "degF"}.get(last)
    if unit is None or POINTS[str(proposal.point)].name != "temperature":
        return proposal
    scaled = _SCALED.search(proposal.name)
    if scaled is not None:  # a step or a factor: tenths of a degree, for one
        reason = f"{scaled[1]!r} is no unit that is known"
        return replace(proposal, confidence="likely", reason=reason)
    return replace(
        proposal, unit=unit, confidence="likely", reason=f"the name ends in {last!r} for {unit}"
    )


def _out_and_in(proposals: list[Proposal]) -> list[Proposal]:
    """Read a bare ``T_out`` or ``inlet`` by what the other columns leave for it.

    ``T_out`` may be the outlet or the outside, so the outside must have a column of its own;
    ``T_in`` may be the interior, so it is read only beside such a ``T_out``; ``inlet`` may be a
    hose, so the coolant and the outlet must have columns; ``feet`` may be the floor outlet, so
    that must have one; ``speed`` may be the engine's, so that must have one.
    """
    taken = {proposal.point for proposal in proposals}
    bare = [_bare_kinds(proposal) for proposal in proposals]
    outs = [at for at, kinds in enumerate(bare) if kinds == {"out"}]
    ins = [at for at, kinds in enumerate(bare) if "in" in kinds and kinds <= {"in", "inlet"}]
    claims: dict[int, str] = {}
    if "ambient" in taken and "outlet" not in taken and len(outs) == 1:
        claims[outs[0]] = "outlet"
    feet = [at for at, kinds in enumerate(bare) if kinds == {"feet"}]
    speeds = [at for at, kinds in enumerate(bare) if kinds == {"speed"}]
    if len(speeds) == 1 and "engine_speed" in taken and "road_speed" not in taken:
        claims[speeds[0]] = "road_speed"
    if len(feet) == 1 and "footwell" not in taken and ("outlet" in taken or claims):
        claims[feet[0]] = "footwell"
    if len(ins) == 1 and "inlet_air" not in taken:
        known = "inlet" in bare[ins[0]] and {"outlet", "coolant_in"} <= taken
        if claims or known:
            claims[ins[0]] = "inlet_air"
    return [
        _checked(
            replace(
                proposal,
                point=claims[at],
                confidence="likely",
                reason="the other columns leave this one for it",
            )
        )
        if at in claims
        else proposal
        for at, proposal in enumerate(proposals)
    ]


def _bare_kinds(proposal: Proposal) -> set[str]:
    """What the words of an unknown column say besides temperature; empty where one is strange."""
    kinds = [kind for word in words_of(proposal.name) for kind in kinds_of(word)]
    if proposal.point is not None or frozenset() in kinds:
        return set()
    return {kind for of in kinds for kind in of} - _EXPLAINS_NOTHING


def _without_rivals(proposals: list[Proposal]) -> list[Proposal]:
    """Leave a point unknown where two columns have the same claim to it."""
    found = list(proposals)
    for point in {proposal.point for proposal in proposals} - {None}:
        claims = [at for at, proposal in enumerate(proposals) if proposal.point == point]
        sure = [at for at in claims if proposals[at].confidence == "sure"]
        named = [at for at in claims if proposals[at].name.strip().lower() == point]
        winner = next((few[0] for few in (named, sure, claims) if len(few) == 1), None)
        for at in claims:
            if at == winner:
                continue
            others = [proposals[other].name for other in claims if other != at]
            found[at] = replace(
                proposals[at],
                point=None,
                confidence="unknown",
                reason=f"it reads like {point}, and so does {others[0]!r}",
            )
    return found


def _type_letter(name: str) -> str | None:
    """Thermocouple letter that stands alone at the start of a name, or behind ``type``."""
    found = re.match(r"\s*(?:tc[ _-]?)?([A-Z])[ _-]\S", name) or re.search(
        r"(?i)\btype?[ _-]?([BEJKNRST])\b", name
    )
    if found is None or found[1].upper() not in _TYPE_LETTERS:
        return None
    return found[1].upper()
