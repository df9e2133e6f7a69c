"""How the grid is cut into pieces that are stacked one at a time."""

from collections.abc import Sequence

from stackbench.registration.placement import Placement, Rectangle

AREA_PX = 1 << 19
"""Pixels in one piece, if its subs' pixels then take no more than CUBE_BYTES."""

CUBE_BYTES = 128 << 20
"""Most memory that the subs' pixels of one piece may take."""

_COLUMNS = 1024  # of a piece that is not a band; a multiple of 1024, see `resample`
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
    columns = nx if lean <= _LEAN else min(nx, _COLUMNS)
    area = min(AREA_PX, CUBE_BYTES // (4 * max(len(placements), 1)))
    rows = max(16, area // columns // 16 * 16)
    # At least a few pieces for each thread, so that none waits for the last.
    across = -(-nx // columns)
    while rows > 16 and across * -(-ny // rows) < 4 * jobs:
        rows = max(16, rows // 2 // 16 * 16)
    return [
        Rectangle(y0=y, y1=min(y + rows, ny), x0=x, x1=min(x + columns, nx))
        for y in range(0, ny, rows)
        for x in range(0, nx, columns)
    ]
