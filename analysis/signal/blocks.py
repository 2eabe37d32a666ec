"""Means of blocks of neighbouring samples.

Mostly a block is a sample or three wide on the common grid. Summing an array row by row costs numpy
more for each row than for what is in it, so the blocks' first samples are added to their second
ones, and so on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Bools, Floats


def like_neighbors(
    numbers: NDArray[np.intp] | Floats,
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where each run of equal numbers begins, and how many there are in it.

    Parameters
    ----------
    numbers
        Shape (n,), n of 1 at least.
    """
    changes = np.flatnonzero(numbers[1:] != numbers[:-1])
    starts = np.zeros(changes.size + 1, dtype=np.intp)
    np.add(changes, 1, out=starts[1:])
    return starts, _sizes(starts, numbers.size)


def _sizes(first: NDArray[np.intp], size: int) -> NDArray[np.intp]:
    """How many samples each run has, of `size` in all."""
    sizes = np.empty_like(first)
    np.subtract(first[1:], first[:-1], out=sizes[:-1])
    sizes[-1:] = size - first[-1:]
    return sizes


def run_means(first: NDArray[np.intp], values: Floats) -> Floats:
    """Mean of each run of samples, where the first sample of every run is given.

    Parameters
    ----------
    first
        Places, rising, the first of them 0; the last run goes to the end.
    values
        Without NaN, shape (n,).
    """
    means: Floats = np.add.reduceat(values, first) / _sizes(first, values.size)
    return means


def block_means(values: Floats, width: int) -> Floats:
    """Means of `width` samples each along the last axis; what is left at the end is left out."""
    count = values.shape[-1] // width
    whole = values[..., : count * width]
    return np.asarray(whole.reshape(*values.shape[:-1], count, width).mean(axis=-1))


def block_sums(values: Floats, width: int) -> Floats:
    """Sums of `width` samples each, shape (n // width,); what is left at the end is left out."""
    count = values.size // width
    total = values[0 : count * width : width].copy()
    for place in range(1, width):
        total += values[place : count * width : width]
    return total


def known_block_means(values: Floats, width: int) -> tuple[Floats, Floats]:
    """Means of `width` samples each without their NaN, and how many those are.

    Returns
    -------
    tuple
        Means, 0 where there is no sample, and numbers of samples, shape (n // width,) each.
    """
    missing = np.isnan(values)
    if not missing.any():
        number = np.full(values.size // width, float(width))
        return block_sums(values, width) / width, number
    number = block_sums((~missing).astype(np.float64), width)
    return block_sums(np.where(missing, 0.0, values), width) / np.maximum(number, 1.0), number


def runs_of(marked: Bools) -> list[tuple[int, int]]:
    """Half-open stretches in which all are marked."""
    edges = np.flatnonzero(np.diff(marked.astype(np.int8), prepend=0, append=0))
    return list(zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True))
