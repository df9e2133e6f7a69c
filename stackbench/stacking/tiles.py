"""How the grid is cut into pieces that are stacked one at a time."""

from collections.abc import Sequence

from stackbench.registration.placement import Placement, Rectangle

AREA_PX = 1 << 19
"""Pixels in one piece, if its subs' pixels then take no more than CUBE_BYTES."""

CUBE_BYTES = 128 << 20
"""Most memory that the subs' pixels of one piece may take, up to 2000 subs."""

_COLUMNS = 1024  # of a piece that is not a band; a multiple of 1024, see `resample`
_LEAST_ROWS = 16
_LEAN = 96  # rows by which a full row of the grid may lean before squares pay


def cut_grid(
    grid_shape: tuple[int, int], placements: Sequence[Placement], *, jobs: int = 1
) -> list[Rectangle]:
    """Cut the grid into bands of full rows, or more squarely once subs are turned.

    Parameters
    ----------
    grid_shape : tuple of int
        The grid's (ny, nx).
    placements : sequence of Placement
        Where the subs lie.
    jobs : int
        How many pieces will be worked on at once.

    Returns
    -------
    list of Rectangle
        Pieces without overlap that cover the grid.
    """
    ny, nx = grid_shape
    lean = max((placement.tilt for placement in placements), default=0.0) * nx
    area = min(AREA_PX, CUBE_BYTES // (4 * max(len(placements), 1)))
    band = lean <= _LEAN and nx * _LEAST_ROWS <= area
    columns = nx if band else min(nx, _COLUMNS)
    rows = max(_LEAST_ROWS, area // columns // _LEAST_ROWS * _LEAST_ROWS)
    # At least a few pieces for each thread, so that none waits for the last.
    across = -(-nx // columns)
    while rows > _LEAST_ROWS and across * -(-ny // rows) < 4 * jobs:
        rows = max(_LEAST_ROWS, rows // 2 // _LEAST_ROWS * _LEAST_ROWS)
    return [
        Rectangle(y0=y, y1=min(y + rows, ny), x0=x, x1=min(x + columns, nx))
        for y in range(0, ny, rows)
        for x in range(0, nx, columns)
    ]
