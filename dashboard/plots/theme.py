"""Colors, type and line styles shared by every picture and page.

White paper, dark ink, few colors. The colors are those of Okabe and Ito (Color Universal Design,
2008), which people with color-blind eyes can tell apart; every line also has its own dash and every
verdict its own sign and word, so that nothing is lost in black and white or in the sun.
"""

from __future__ import annotations

from typing import Any, Final

from dashboard.text.shown import SIGNS
from ingest.values import dataclass

INK: Final = "#1b1f24"
SOFT_INK: Final = "#4a525c"
PAPER: Final = "#ffffff"
CLEAR: Final = "rgba(255,255,255,0)"
RULE: Final = "#c9ced4"
SHADE: Final = "#e8ecf1"

FONT: Final = (
    '"DejaVu Sans", Verdana, "Segoe UI", system-ui, -apple-system, "Liberation Sans", sans-serif'
)
"""Wide letters with clear figures, as installed; nothing is fetched."""

FONT_PX: Final = 15
"""Size of running text and of axis labels; legible at arm's length."""

BLUE: Final = "#0072b2"
VERMILION: Final = "#d55e00"
GREEN: Final = "#007a5a"
SKY: Final = "#2f8fc4"
ORANGE: Final = "#b87800"
PURPLE: Final = "#a0527d"
BLACK: Final = "#000000"


@dataclass(frozen=True, slots=True)
class LineStyle:
    """How one measuring point is drawn everywhere.

    Parameters
    ----------
    color
        As CSS writes it.
    dash
        Plotly's word or list of lengths, px.
    width
        px.
    """

    color: str
    dash: str = "solid"
    width: float = 2.0


LINES: Final[dict[str, LineStyle]] = {
    "outlet": LineStyle(VERMILION, "solid", 3.5),
    "outlet_defrost": LineStyle(ORANGE, "4px,3px", 2.0),
    "outlet_panel": LineStyle(ORANGE, "10px,3px", 2.0),
    "outlet_fitted": LineStyle(INK, "9px,3px,1px,3px", 2.0),
    "ambient": LineStyle(BLUE, "2px,4px", 2.5),
    "inlet_air": LineStyle(SKY, "7px,3px,2px,3px", 2.0),
    "coolant_in": LineStyle(BLACK, "solid", 1.5),
    "coolant_out": LineStyle(BLACK, "8px,4px", 1.5),
    "engine_coolant": LineStyle(SOFT_INK, "1px,3px", 2.5),
    "footwell": LineStyle(GREEN, "12px,4px", 2.5),
    "cabin": LineStyle(GREEN, "3px,3px", 2.0),
    "vacuum_source": LineStyle(BLACK, "solid", 2.0),
    "vacuum_actuator": LineStyle(PURPLE, "5px,3px", 2.0),
    "road_speed": LineStyle(BLUE, "solid", 1.5),
    "temp_lever": LineStyle(INK, "solid", 2.5),
}
"""By measuring point."""

OTHER_LINE: Final = LineStyle(PURPLE, "6px,2px,2px,2px", 1.5)
"""Any point not named in `LINES`."""


@dataclass(frozen=True, slots=True)
class VerdictStyle:
    """How a verdict is shown: never by color alone."""

    sign: str
    color: str
    word: str


VERDICTS: Final[dict[str, VerdictStyle]] = {
    "pass": VerdictStyle(SIGNS["pass"], GREEN, "pass"),
    "fail": VerdictStyle(SIGNS["fail"], "#b33c00", "fail"),
    "undecided": VerdictStyle(SIGNS["undecided"], "#7a5200", "undecided"),
    "not measured": VerdictStyle(SIGNS["not measured"], SOFT_INK, "not measured"),
}


def line_of(point: str) -> dict[str, Any]:
    """Plotly's `line` for a measuring point."""
    style = LINES.get(point, OTHER_LINE)
    return {"color": style.color, "dash": style.dash, "width": style.width}


def line_sample(point: str) -> str:
    """A piece of a point's line as inline SVG, for legends in HTML."""
    style = LINES.get(point, OTHER_LINE)
    dash = "" if style.dash == "solid" else f' stroke-dasharray="{style.dash.replace("px", "")}"'
    return (
        '<svg width="38" height="10" aria-hidden="true"><path d="M0 5H38" fill="none" '
        f'stroke="{style.color}" stroke-width="{style.width}"{dash}/></svg>'
    )


def verdict_style(verdict: str) -> VerdictStyle:
    """Sign, color and word of a verdict; an unknown word is shown as it is."""
    return VERDICTS.get(verdict, VerdictStyle("", SOFT_INK, verdict))


def verdict_class(verdict: str) -> str:
    """Class that gives a verdict its color on a page, by day and by night."""
    return f"is-{verdict.replace(' ', '-')}" if verdict in VERDICTS else "is-quiet"


def base_layout() -> dict[str, Any]:
    """Plotly layout every picture starts from."""
    return {
        "template": "none",
        # the page shines through: turned over at night, white would be another black than its own
        "paper_bgcolor": CLEAR,
        "plot_bgcolor": CLEAR,
        "font": {"family": FONT, "size": FONT_PX, "color": INK},
        "margin": {"l": 58, "r": 14, "t": 8, "b": 48},
        "hovermode": "x unified",
        "hoverlabel": {"font": {"family": FONT, "size": FONT_PX}},
    }


def axis(**changes: Any) -> dict[str, Any]:
    """Plotly axis: a dark line, light grid, outside ticks; `changes` are added."""
    return {
        "showline": True,
        "linecolor": INK,
        "linewidth": 1,
        "ticks": "outside",
        "tickcolor": INK,
        "gridcolor": RULE,
        "gridwidth": 1,
        "zeroline": False,
        "fixedrange": False,
    } | changes


ENGINE_TIME: Final = "Minutes from engine start"


def minutes(title: str = ENGINE_TIME, **changes: Any) -> dict[str, Any]:
    """Plotly axis of the time, min; what is hovered over is said to 0.1 min."""
    return axis(
        title={"text": title, "font": {"size": FONT_PX}},
        unifiedhovertitle={"text": "%{x:.1f} min"},
        **changes,
    )


PAGE_CSS: Final = f"""
:root {{ color-scheme: light dark; --paper: {PAPER}; --ink: {INK}; --soft: {SOFT_INK};
  --rule: {RULE}; --shade: {SHADE}; --link: {BLUE};
  --pass: {VERDICTS["pass"].color}; --fail: {VERDICTS["fail"].color};
  --undecided: {VERDICTS["undecided"].color}; }}
@media (prefers-color-scheme: dark) {{ @media screen {{
  :root {{ --paper: #15181c; --ink: #e9edf1; --soft: #b3bcc6; --rule: #3f474f; --shade: #262c33;
    --link: #7cc4f2; --pass: #52cfa6; --fail: #ff9a6b; --undecided: #e6bd62; }}
  /* drawings are made in dark ink on white: turned over, their hues kept */
  .js-plotly-plot, img.strip, .legend img, .legend svg {{
    filter: invert(0.91) hue-rotate(180deg); }}
}} }}
* {{ box-sizing: border-box; }}
body {{ margin: 0; padding: 16px; background: var(--paper); color: var(--ink);
  font: {FONT_PX + 1}px/1.45 {FONT}; }}
h1 {{ font-size: 1.45rem; line-height: 1.25; margin: 0 0 6px; }}
h2 {{ font-size: 1.05rem; margin: 18px 0 6px; }}
h1, h2, p, li, th, td {{ overflow-wrap: break-word; }}
p {{ margin: 0 0 10px; max-width: 62em; }}
table {{ border-collapse: collapse; width: 100%; }}
th, td {{ text-align: left; vertical-align: top; padding: 5px 8px 5px 0;
  border-bottom: 1px solid var(--rule); }}
th {{ font-weight: 600; }}
thead th {{ border-bottom: 2px solid var(--ink); }}
.quiet {{ color: var(--soft); }}
.number {{ white-space: nowrap; font-variant-numeric: tabular-nums; }}
.verdict {{ font-weight: 700; white-space: nowrap; }}
.is-pass {{ color: var(--pass); }}
.is-fail {{ color: var(--fail); }}
.is-undecided {{ color: var(--undecided); }}
.is-not-measured, .is-quiet {{ color: var(--soft); }}
a {{ color: var(--link); }}
:focus-visible {{ outline: 3px solid var(--link); outline-offset: 2px; }}
@media print {{ body {{ padding: 0; }} }}
""".strip()
"""Style of every page; pages add their own layout."""
