"""The site's source put together in a folder of its own, and the generator called on it.

Nothing generated lies in the repository: pages that come from the code and pictures of sample
runs are written here, hand-written pages are copied beside them. The site asks no other host for
anything.
"""

from __future__ import annotations

import io
import re
import tempfile
import tomllib
from pathlib import Path

from sphinx.application import Sphinx
from sphinx.util.docutils import docutils_namespace, patch_docutils

from dashboard.plots.page import plotly_script
from docs.site.cause_pages import cause_pages
from docs.site.figure_pages import figure_pages
from docs.site.reference_pages import reference_pages

ROOT = Path(__file__).parents[2]

BESIDE = {
    "DEVELOPERS.md": "developers.md",
    "SECURITY.md": "security.md",
    "CHANGELOG.md": "changelog.md",
    "sample_logs/README.md": "sample-logs.md",
}
"""Pages that lie elsewhere in the repository, and what they are called in the site."""

GENERATED_TWICE = {"reference.md"}
"""Written for readers of the repository; the site has the same in parts."""

SETTINGS = {
    "project": "lukewarm",
    "extensions": ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"],
    "html_theme": "alabaster",
    "html_static_path": ["_static"],
    "html_css_files": ["site.css"],
    "html_js_files": ["plotly.min.js"],
    "html_show_sourcelink": False,
    "html_copy_source": False,
    "html_theme_options": {
        "description": "Why is the heater lukewarm?",
        "page_width": "1180px",
        "sidebar_width": "250px",
        "fixed_sidebar": False,
    },
    "html_sidebars": {"**": ["about.html", "searchbox.html", "navigation.html"]},
    "myst_heading_anchors": 4,
    "autodoc_typehints": "none",
    "autodoc_member_order": "bysource",
    "napoleon_google_docstring": False,
    "napoleon_use_rtype": False,
    "smartquotes": False,
}

CSS = """
table.docutils { display: block; overflow-x: auto; border: 0; }
table.docutils td, table.docutils th { vertical-align: top; padding: 4px 10px 4px 0; border: 0;
  border-bottom: 1px solid #ccc; text-align: left; hyphens: none; }
div.body { min-width: 0; hyphens: none; }
pre { overflow-x: auto; }
div.sphinxsidebar { max-height: none; }
"""


def build_site(out: Path) -> str:
    """Write the site.

    Parameters
    ----------
    out
        Folder for it; what an earlier call wrote there is replaced.

    Returns
    -------
    str
        What the generator warns of, a line each; empty where all is well.
    """
    with tempfile.TemporaryDirectory(prefix="lukewarm-site-") as work:
        source = Path(work) / "source"
        write_source(source)
        warnings = io.StringIO()
        version = _version()
        with patch_docutils(), docutils_namespace():
            site = Sphinx(
                source,
                None,
                out,
                Path(work) / "trees",
                "html",
                SETTINGS | {"version": version, "release": version},
                status=None,
                warning=warnings,
                freshenv=True,
            )
            site.build(force_all=True)
    return warnings.getvalue()


def write_source(folder: Path) -> None:
    """Write every page of the site as Markdown, and what they load, into a new folder."""
    for path in sorted((ROOT / "docs").rglob("*.md")):
        name = path.relative_to(ROOT / "docs")
        if name.as_posix() not in GENERATED_TWICE:
            _write(folder / name, _links_of_the_site(path.read_text(encoding="utf-8")))
    for place, name in BESIDE.items():
        text = (ROOT / place).read_text(encoding="utf-8")
        _write(folder / name, _links_of_the_site(text.replace("](docs/", "](")))
    for name, text in (figure_pages() | cause_pages() | reference_pages()).items():
        _write(folder / name, text)
    _write(folder / "_static" / "plotly.min.js", plotly_script())
    _write(folder / "_static" / "site.css", CSS)


def _links_of_the_site(text: str) -> str:
    """Links to pages that lie elsewhere in the repository, turned to where the site has them."""
    for place, name in BESIDE.items():
        text = re.sub(rf"\]\((?:\.\./)*{re.escape(place)}", f"](/{name}", text)
    return text


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def _version() -> str:
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return str(stated["project"]["version"])
