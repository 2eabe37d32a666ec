"""Reasons: each cause names the figure that speaks for it, or says that none does."""

from __future__ import annotations

from types import SimpleNamespace

from analysis.causes.engine import rank
from analysis.causes.evidence import Evidence, Usual
from analysis.causes.explain import reasons
from analysis.causes.knowledge import knowledge

NOTHING = SimpleNamespace(findings=())
FAMILY = Usual.of([Evidence({"coolant_plateau": (87.0, 0.5)}, {}, 5.0)] * 3)


def said(cause: str, **figures: float) -> tuple[str, ...]:
    signs = dict.fromkeys(knowledge().signs)
    evidence = Evidence({name: (value, 0.4) for name, value in figures.items()}, signs, 5.0)
    ranking = rank(evidence, FAMILY, "blend-air")
    row = knowledge().row(cause)
    return reasons(row, NOTHING, evidence, FAMILY, ranking)  # type: ignore[arg-type]


def test_a_figure_that_moved_is_named_with_what_is_usual() -> None:
    first = said("thermostat_opens_low", coolant_plateau=75.0)[0]
    assert "steady coolant temperature 75.00 ± 0.80 °C" in first
    assert "usual 87" in first
    assert "(3 good cars)" in first


def test_a_figure_that_stayed_where_the_cause_would_have_moved_it_speaks_against_it() -> None:
    (only,) = said("thermostat_opens_low", coolant_plateau=87.5)
    assert only.startswith("against it: steady coolant temperature 87.5")


def test_a_cause_that_no_figure_speaks_for_or_against_says_so() -> None:
    """Reversed hoses cost a tenth of what the core gives, less than cars differ by."""
    (only,) = said("hoses_reversed", core_effectiveness=0.71)
    label = knowledge().figures["core_effectiveness"].label
    assert only.startswith(f"the figures themselves are as usual: {label} 0.71")


def test_a_cause_that_was_not_looked_for_keeps_its_prior() -> None:
    (only,) = said("vacuum_leak", coolant_plateau=87.0)
    assert "these channels cannot show it" in only


def test_a_sound_heater_names_what_is_as_usual_and_what_speaks_against_it() -> None:
    assert said("healthy")[0].startswith("no figure could be measured")
    assert said("healthy", coolant_plateau=87.2)[0].startswith("steady coolant temperature 87.2")
    assert said("healthy", coolant_plateau=70.0)[0].startswith("against it: steady coolant")
