"""`python -m docs.site [FOLDER]`: the whole site; exit 1 where the generator warns of anything."""

from __future__ import annotations

import sys
from pathlib import Path

from docs.site.build import ROOT, build_site


def main() -> int:
    """Write the site into the folder named, else into `build/site`."""
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "build" / "site"
    warnings = build_site(out)
    sys.stderr.write(warnings)
    if warnings:
        return 1
    sys.stdout.write(f"wrote {out / 'index.html'}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
