"""A coarse map of where on the reference a star counts as hit."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Share of the reference frame that the raster may cover with hits.
_COVERAGE = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class StarRaster:
    """Where on the reference a star counts as hit: a coarse map of small discs.

    `cells` is padded with a border that is never hit; `origin` is the
    position of the first cell's corner, pixels of the reference; `radius_px`
    is the discs' radius.
    """

    cells: NDArray[np.bool_]
    origin: tuple[float, float]
    cell_px: float
    radius_px: float


def star_raster(xy: NDArray[np.float64], *, radius_px: float) -> StarRaster:
    """Draw a disc around each reference star.

    Parameters
    ----------
    xy : ndarray, shape (n, 2), float64
        Reference stars, pixels, finite; at least three.
    radius_px : float
        Wished radius; made smaller where the discs would cover over 3 % of
        the frame, so that a hit keeps its meaning in a crowded field.

    Returns
    -------
    StarRaster
        The map.
    """
    low, high = xy.min(axis=0), xy.max(axis=0)
    area = float(np.prod(np.maximum(high - low, 1.0)))
    radius = min(radius_px, float(np.sqrt(_COVERAGE * area / (np.pi * len(xy)))))
    cell = radius / 2.5
    nx, ny = (np.ceil((high - low + 2 * radius) / cell).astype(int) + 3).tolist()
    cells = np.zeros((ny, nx), dtype=np.bool_)
    origin = low - radius - cell
    reach = int(np.ceil(radius / cell))
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    position = (xy - origin) / cell
    ix, iy = np.floor(position).astype(np.intp).T
    for step_x, step_y in zip(dx.ravel(), dy.ravel(), strict=True):
        centre = np.column_stack([ix + step_x, iy + step_y]) + 0.5
        near = np.square(centre - position).sum(axis=1) <= (radius / cell) ** 2
        cells[iy[near] + step_y, ix[near] + step_x] = True
    cells[[0, -1], :] = False
    cells[:, [0, -1]] = False
    return StarRaster(
        cells=cells,
        origin=(float(origin[0]), float(origin[1])),
        cell_px=cell,
        radius_px=radius,
    )
