"""A tuning as one HTML page that needs nothing else: curves, limits, what would change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from dashboard.plots import theme
from dashboard.text.shown import words
from dashboard.text.tuning import cause_line, change_lines, figure_lines, study_line
from ingest.arrays import Floats

if TYPE_CHECKING:
    from analysis.tune.change import Changed
    from analysis.tune.search.one_figure import FigureTuning
    from analysis.tune.tuning import Tuning


SIZE: Final = 220
"""Width and height of a picture, px."""

EDGE: Final = 12

PAGE: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Tuned limits {{ limits.version }}</title>
<style>{{ css }}
.curves { display: flex; flex-wrap: wrap; gap: 16px; }
figure { margin: 0; max-width: {{ size }}px; } figcaption { font-size: .9rem; }
pre { white-space: pre-wrap; font: inherit; margin: 0 0 10px; }
</style></head><body>
<h1>Tuned limits {{ limits.version }}</h1>
<p>{{ limits.basis }}</p>
<p class="quiet">{{ limits.author }}, {{ limits.date }}; data {{ limits.fingerprint }}</p>
{% for name, lines, curves in figures %}
<h2>{{ name }}</h2>
<div class="curves">{% for caption, picture in curves %}
<figure>{{ picture }}<figcaption>{{ caption }}</figcaption></figure>{% endfor %}</div>
<pre>{{ lines | join("\n") }}</pre>
{% endfor %}
{% for title, lines in others if lines %}
<h2>{{ title }}</h2>
<ul>{% for line in lines %}<li>{{ line }}</li>{% endfor %}</ul>
{% endfor %}
{% if changed %}<h2>Runs that would change sides</h2>
<table><thead><tr><th>Car</th><th>Run</th><th>Before</th><th>After</th><th>Effect</th><th>Why</th>
</tr></thead><tbody>{% for each in changed %}
<tr><td>{{ each.vehicle }}</td><td>{{ each.run_id[:12] }}</td><td>{{ each.before }}</td>
<td>{{ each.after }}</td><td>{{ each.effect }}</td><td>{{ each.why }}</td></tr>{% endfor %}
</tbody></table>{% endif %}
</body></html>
"""


def report_page(tuning: Tuning, changed: Sequence[Changed], units: str) -> str:
    """The page's HTML.

    Parameters
    ----------
    tuning
        What came out.
    changed
        Runs that would change sides.
    units
        ``si`` or ``us``.
    """
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return environment.from_string(
        PAGE
    ).render(
        limits=tuning.limits,
        css=Markup(theme.PAGE_CSS),  # noqa: S704 - text of our own
        size=SIZE,
        figures=[
            (words(each.figure), figure_lines(each, units), _curves(each))
            for each in tuning.figures
        ],
        others=[
            ("Causes", [cause_line(each) for each in tuning.causes]),
            ("Measurement system", [study_line(each, units) for each in tuning.study]),
            ("What would change", change_lines(changed)[:1]),
        ],
        changed=changed,
    )


def _curves(each: FigureTuning) -> list[tuple[str, Markup]]:
    if each.roc is None or each.choice is None:
        return []
    roc, choice = each.roc, each.choice
    band = (roc.false_alarm_margin, roc.detection_margin)
    place = (choice.limits - choice.limits[0]) / (choice.limits[-1] - choice.limits[0])
    height = choice.curve / max(float(choice.curve.max()), 1e-300)
    at = (choice.limit - choice.limits[0]) / (choice.limits[-1] - choice.limits[0])
    return [
        (
            "Bad cars found against good ones failed; the shade holds the true curve with 95 %",
            _picture(roc.false_alarm, roc.detection, band=band),
        ),
        (
            "Expected cost a car against the limit, from lenient (right) to strict (left)",
            _picture(place, height, mark=at),
        ),
    ]


def _picture(
    x: Floats,
    y: Floats,
    band: tuple[float, float] | None = None,
    mark: float | None = None,
) -> Markup:
    """A curve in the unit square as SVG."""
    parts = [
        f'<rect x="{EDGE}" y="{EDGE}" width="{SIZE - 2 * EDGE}" height="{SIZE - 2 * EDGE}" '
        f'fill="none" stroke="{theme.INK}"/>'
    ]
    if band:
        upper = _path(np.maximum(x - band[0], 0.0), np.minimum(y + band[1], 1.0))
        lower = _path(np.minimum(x + band[0], 1.0)[::-1], np.maximum(y - band[1], 0.0)[::-1])
        parts.insert(0, f'<path d="M{upper}L{lower}Z" fill="{theme.SHADE}"/>')
    if mark is not None:
        across = EDGE + mark * (SIZE - 2 * EDGE)
        parts.append(
            f'<path d="M{across:.1f} {EDGE}V{SIZE - EDGE}" stroke="{theme.VERMILION}" '
            'stroke-dasharray="5 3"/>'
        )
    parts.append(f'<path d="M{_path(x, y)}" fill="none" stroke="{theme.BLUE}" stroke-width="2"/>')
    inside = "".join(parts)
    return Markup(  # noqa: S704 - numbers and colors of our own
        f'<svg viewBox="0 0 {SIZE} {SIZE}" width="{SIZE}" height="{SIZE}" role="img" '
        f'aria-label="curve">{inside}</svg>'
    )


def _path(x: Floats, y: Floats) -> str:
    across = EDGE + x * (SIZE - 2 * EDGE)
    down = SIZE - EDGE - y * (SIZE - 2 * EDGE)
    return "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(across, down, strict=True))
