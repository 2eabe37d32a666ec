"""Settings of the whole test run."""

from __future__ import annotations

from hypothesis import settings

# A machine under load must not fail a test for being slow.
settings.register_profile("lukewarm", deadline=None)
settings.load_profile("lukewarm")
