"""A field of stars on the sky grid, and galaxies or clouds of gas behind them."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

Column = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StarField:
    """Stars by position on the grid (px), flux (e⁻/s, unit throughput) and colour (mag)."""

    x: Column
    y: Column
    flux: Column
    colour: Column

    def __len__(self) -> int:
        return self.x.size

    def flux_in(self, *, throughput: float, colour_term: float) -> Column:
        """Give each star's flux in a filter, e⁻/s above the air: F·q·10^(−0.4·k·colour)."""
        return self.flux * throughput * 10.0 ** (-0.4 * colour_term * self.colour)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtendedSource:
    """A Gaussian source wider than a star: position and shape on the grid, e⁻/s by filter."""

    x: float
    y: float
    fwhm_px: float
    axis_ratio: float = 1.0
    angle_deg: float = 0.0
    flux_e_s: Mapping[str, float] = field(default_factory=dict)


def random_field(
    rng: np.random.Generator,
    shape: tuple[int, int],
    count: int,
    *,
    flux_range: tuple[float, float] = (100.0, 2.0e4),
    slope: float = 0.8,
    colour_spread: float = 0.5,
    margin_px: float = 0.0,
    separation_px: float = 0.0,
    square: bool = False,
) -> StarField:
    """Scatter stars whose number above a flux F falls as F^−slope.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of randomness.
    shape : tuple of int
        Grid's (ny, nx).
    count : int
        Number of stars within `shape`; the density goes on through the margin.
    flux_range : tuple of float
        Least and largest flux, e⁻/s.
    slope : float
        Exponent of the cumulative counts, above 0.
    colour_spread : float
        Standard deviation of the colours, mag.
    margin_px : float
        Width of the strip around the grid that holds stars too.
    separation_px : float
        No two stars are nearer to each other than this.
    square : bool
        Whether to fill the square about the grid's diagonal, so that a camera
        turned by any angle sees stars in its corners.

    Returns
    -------
    StarField
        Stars sorted by falling flux.
    """
    ny, nx = shape
    half_x, half_y = nx / 2 + margin_px, ny / 2 + margin_px
    if square:
        half_x = half_y = math.hypot(nx, ny) / 2 + margin_px
    wanted = round(count * (4 * half_x * half_y) / (nx * ny))
    points = np.empty((0, 2))
    for _ in range(100):
        fresh = rng.uniform(-1.0, 1.0, (wanted, 2)) * (half_x, half_y)
        points = _kept_apart(np.vstack([points, fresh]), separation_px)[:wanted]
        if len(points) == wanted:
            break
    else:
        raise ValueError(f"{wanted} stars do not fit {separation_px:g} px apart from each other")
    low, high = flux_range[0] ** -slope, flux_range[1] ** -slope
    flux = (low - rng.uniform(size=wanted) * (low - high)) ** (-1 / slope)
    order = np.argsort(-flux, kind="stable")
    return StarField(
        x=points[order, 0] + (nx - 1) / 2,
        y=points[order, 1] + (ny - 1) / 2,
        flux=flux[order],
        colour=rng.normal(0.0, colour_spread, wanted),
    )


def _kept_apart(points: NDArray[np.float64], separation: float) -> NDArray[np.float64]:
    if separation <= 0:
        return points
    pairs = KDTree(points).query_pairs(separation, output_type="ndarray")
    keep = np.ones(len(points), dtype=bool)
    keep[pairs.max(axis=1)] = False  # the later of two stars gives way
    return points[keep]
