"""Sentences that keep their quantities: SI as text, other units by each quantity's own kind."""

from __future__ import annotations

import copy
import json
import pickle

import pytest

from ingest.findings import FindingKind, finding, registered
from ingest.saying import (
    Amount,
    Said,
    Shown,
    Value,
    amount,
    joined,
    plus_minus,
    quantities,
    revived,
    say,
)

# 0 °C is 32 °F, a kelvin is 1.8 °F (NIST SP 811:2008, appendix B.8); the rest are stand-ins whose
# size is plain to see
FOREIGN = {
    "degC": Shown("°F", 1.8, 32.0),
    "±degC": Shown("°F", 1.8),
    "K": Shown("°F", 1.8),
    "kPa": Shown("big", 0.1),
}


def foreign(unit: str) -> Shown:
    return FOREIGN.get(unit, Shown(unit))


@pytest.mark.parametrize(
    ("template", "value", "si", "other"),
    [
        ("up {x:.0f K}", 20.0, "up 20 K", "up 36 °F"),
        ("off by {x:+.1f K}", 0.5, "off by +0.5 K", "off by +0.9 °F"),
        ("at {x:.0f degC}", 100.0, "at 100 °C", "at 212 °F"),
        ("at {x:.0f degC}", -40.0, "at -40 °C", "at -40 °F"),
        ("at {x:.0f (degC)} or so", 0.0, "at 0 or so", "at 32 or so"),
        ("± {x:.1f ±degC}", 1.0, "± 1.0 °C", "± 1.8 °F"),
        ("{x:g degC}", 12.5, "12.5 °C", "54.5 °F"),
        ("{x:.1f kPa}", 12.3, "12.3 kPa", "1.23 big"),  # a larger unit keeps one more decimal
        ("for {x:.0f s}", 90.0, "for 90 s", "for 90 s"),
        ("{x:.1%} of {{all}}", 0.5, "50.0% of {all}", "50.0% of {all}"),
        ("{x} times", 3, "3 times", "3 times"),
        ("{x!r}", "3 °C", "'3 °C'", "'3 °C'"),
        ("{x}", "3 °C, 7 K", "3 °C, 7 K", "3 °C, 7 K"),
        ("{x}", Amount(10.0, ".0f K"), "10 K", "18 °F"),
        ("{x}", amount(10.0, ".1f", "°C"), "10.0 °C", "50.0 °F"),
        ("{x}", amount(0.512, ".2f", "–"), "0.51", "0.51"),
        ("{x}", amount(3.0, "g", "furlong"), "3 furlong", "3 furlong"),
        ("{x}", plus_minus(50.0, 10.0, "°C"), "50 ± 10 °C", "122 ± 18 °F"),
        ("{x}", plus_minus(5.0, 10.0, "K", "+"), "+5 ± 10 K", "+9 ± 18 °F"),
        ("so: {x}", say("up {y:.0f K}", y=10.0), "so: up 10 K", "so: up 18 °F"),
    ],
)
def test_quantities_are_written_by_their_kind(
    template: str, value: Value, si: str, other: str
) -> None:
    said = say(template, x=value)
    assert said == si
    assert said.written(foreign) == other


def test_a_text_inside_is_never_read_as_a_template() -> None:
    assert say("{x}", x="{y:.0f K} {0.__class__}") == "{y:.0f K} {0.__class__}"


@pytest.mark.parametrize("template", ["{x:.0f stone}", "{x.real}", "{x:>900}", "{0}", "{x:.0fK}"])
def test_what_is_no_template_is_refused(template: str) -> None:
    with pytest.raises(ValueError, match="is no"):
        say(template, x=1.0)


def test_a_value_must_be_there() -> None:
    with pytest.raises(KeyError):
        say("{x:.0f K}", y=1.0)


def test_joined_sentences_keep_their_quantities() -> None:
    said = joined("; {", [None, "a 1 K", say("up {x:.0f K}", x=10.0), ""])
    assert said == "a 1 K; {up 10 K"
    assert isinstance(said, Said)
    assert said.written(foreign) == "a 1 K; {up 18 °F"
    assert joined("; ", [None, ""]) == ""


def test_copies_errors_and_other_processes_keep_them() -> None:
    said = say("up {x:.0f K}", x=10.0)
    for each in (
        pickle.loads(pickle.dumps(said)),  # noqa: S301 - our own
        copy.deepcopy(said),
        str(ValueError(said)),
    ):
        assert isinstance(each, Said)
        assert each.written(foreign) == "up 18 °F"


def test_a_stored_document_gives_its_quantities_back() -> None:
    line = joined("; ", [say("up {x:.0f K}", x=1 / 3), say("{a}", a=amount(20.0, ".1f", "degC"))])
    document = {"notes": [line, "plain 3 K"], "deep": {"none": None, "no": say("{n} cars", n=3)}}
    stored = json.loads(json.dumps({**document, "said": quantities(document)}, allow_nan=False))
    assert stored["notes"] == ["up 0 K; 20.0 °C", "plain 3 K"]
    assert stored["said"] == {
        "up 0 K; 20.0 °C": {
            "template": "up {a:.0f K}; {b:.1f degC}",
            "values": {"a": 0.333333, "b": 20.0},
        }
    }, "only what has units"
    back = revived(stored)
    assert back == stored
    assert back["notes"][0].written(foreign) == "up 1 °F; 68.0 °F"
    assert not isinstance(back["notes"][1], Said)


@pytest.mark.parametrize(
    "said",
    [
        None,
        [],
        {"up 3 K": None},
        {"up 3 K": {"template": "up {x:.0f K}", "values": {}}},
        {"up 3 K": {"template": "up {x.__class__}", "values": {"x": 3.0}}},
        {"up 3 K": {"template": "up {x:.0f K}", "values": {"x": [3.0]}}},
        {"up 3 K": {"template": "up {x:.0f K}", "values": {"x": {"value": 3.0}}}},
        {"up 3 K": {"template": 3, "values": {}}},
        {"up 3 K": {"template": "{x}", "values": {"x": {"value": 1.0, "form": ".9e9"}}}},
    ],
)
def test_a_stored_document_that_makes_no_sense_stays_plain(said: object) -> None:
    back = revived({"note": "up 3 K", "said": said})
    assert back["note"] == "up 3 K"
    assert not isinstance(back["note"], Said)


def test_a_number_that_is_none_survives_json() -> None:
    said = say("up {x:.0f K}", x=float("nan"))
    assert said == "up nan K"
    two = joined("; ", [said, say("at {x:.0f K}", x=10.0)])
    stored = json.loads(json.dumps({"said": quantities([two]), "a": two}, allow_nan=False))
    assert revived(stored)["a"].written(foreign) == "up nan K; at 18 °F"


def test_a_finding_is_made_of_its_kind() -> None:
    kind = FindingKind("it_rose", "{point} rose by {by:.0f K}", do="Look.", forbids=True)
    found = kind.found("outlet", 1.0, 2.0, point="outlet", by=10.0, evidence={"by_K": 10.0})
    assert (found.fault, found.detail, found.channel) == (
        "it_rose",
        "outlet rose by 10 K",
        "outlet",
    )
    assert (found.from_s, found.to_s, found.forbids) == (1.0, 2.0, True)
    assert found.evidence == {"by_K": 10.0}
    assert "it_rose" not in registered()


def test_no_two_kinds_have_one_name() -> None:
    import analysis.quality.gaps  # noqa: F401 - registers "gap"

    with pytest.raises(ValueError, match="'gap'"):
        finding("gap", "again", do="")
