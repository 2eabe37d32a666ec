"""Runs made ready for measuring, as the pipeline makes them, without its corrections."""

from __future__ import annotations

from analysis.context import Context
from analysis.lever.record import Aligned
from analysis.lever.study import LeverStudy, study_lever
from analysis.measurement import Measurement
from analysis.pipeline import prepare
from ingest.run import Run


def context_of(run: Run, offset: Measurement | None = None) -> Context:
    """A run whose noted events were found to be off by `offset`, and set right."""
    return prepare(Aligned(run, offset))


def lever_study_of(run: Run, offset: Measurement | None = None) -> LeverStudy:
    """What such a run says of its lever."""
    return study_lever(Aligned(run, offset))
