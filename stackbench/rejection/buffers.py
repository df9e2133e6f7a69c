"""What the kernels that walk over a cube work in, and write to."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stackbench.rejection.lanes import LANES


class Scratch(NamedTuple):
    """Working space of one block."""

    columns: NDArray[np.float32]  # (depth × LANES,), sorted, row after row
    block: NDArray[np.float32]  # (fields × LANES,)
    sums: NDArray[np.float64]  # (2 × LANES,)


class Results(NamedTuple):
    """Arrays of shape (n,): the mean, and counts of values kept and rejected."""

    mean: NDArray[np.float32]
    kept: NDArray[np.uint16]
    low: NDArray[np.uint16]
    high: NDArray[np.uint16]


class Aside(NamedTuple):
    """Up to two blocks of columns that were put aside to be clipped."""

    cube: NDArray[np.float32]  # (depth, 2 × LANES)
    pixels: NDArray[np.uint64]  # where they are from
    results: Results


def make_scratch(depth: int, fields: int) -> Scratch:
    """Make working space for blocks.

    Parameters
    ----------
    depth : int
        Number of layers.
    fields : int
        Number of fields of a block.

    Returns
    -------
    Scratch
        Arrays for one thread.
    """
    return Scratch(
        columns=np.empty(depth * LANES, np.float32),
        block=np.zeros(fields * LANES, np.float32),
        sums=np.zeros(2 * LANES, np.float64),
    )


def make_results(pixels: int) -> Results:
    """Make room for the results of so many pixels.

    Parameters
    ----------
    pixels : int
        Number of pixels.

    Returns
    -------
    Results
        Uninitialised arrays.
    """
    return Results(
        mean=np.empty(pixels, np.float32),
        kept=np.empty(pixels, np.uint16),
        low=np.empty(pixels, np.uint16),
        high=np.empty(pixels, np.uint16),
    )


def make_aside(depth: int) -> Aside:
    """Make working space for columns put aside.

    Parameters
    ----------
    depth : int
        Number of layers.

    Returns
    -------
    Aside
        Arrays for one thread.
    """
    return Aside(
        cube=np.empty((depth, 2 * LANES), np.float32),
        pixels=np.empty(2 * LANES, np.uint64),
        results=make_results(2 * LANES),
    )
