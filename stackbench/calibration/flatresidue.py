"""What is left of a flat's shape in calibrated lights: it did too much or too little."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.smooth import polynomial_terms, robust_fit

# A flat that is as even as this says nothing (common practice, no source).
_LEAST_SHAPE = 0.01
_LEAST_TILES = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatResidue:
    """The part of a flat's shape that is left in a calibrated light's background.

    `share` is 0 for a flat that fits, above 0 for one that corrects too
    little (the background is bright where the flat is) and below 0 for one
    that corrects too much; `error` is its 1σ from the scatter of the tiles.
    `explained` is the share of the background's variation, freed of a plane,
    that the flat's shape explains. `swing` is how much of the background the
    residue moves, from the flat's darkest to its brightest part.
    """

    share: float
    error: float
    explained: float
    swing: float


def flat_residue(background: NDArray[np.float64], flat: NDArray[np.float64]) -> FlatResidue | None:
    """Measure how far a calibrated light's background follows the flat.

    Parameters
    ----------
    background : ndarray, shape (number down, number across), float64
        The light's background in tiles, ADU; NaN is left out.
    flat : ndarray of the same shape
        The flat in the same tiles, any scale.

    Returns
    -------
    FlatResidue or None
        None when the flat is even, the background not above zero, or the tiles
        too few.

    Notes
    -----
    Background / median = 1 + a x + b y + share × (flat / median − 1), by
    least squares that leave out tiles that stand out. The plane stands for the sky's own
    gradient, which is what makes lights uneven most of the time.
    """
    defined = np.isfinite(background) & np.isfinite(flat)
    if np.count_nonzero(defined) < _LEAST_TILES:
        return None
    sky, unit = float(np.median(background[defined])), float(np.median(flat[defined]))
    if not (sky > 0 and unit > 0):
        return None
    shape = flat / unit - 1
    plane = polynomial_terms(background.shape, 1)
    relative = np.where(defined, background / sky, np.nan).ravel()
    terms = np.column_stack([plane, shape.ravel()])
    terms[~defined.ravel()] = 0.0
    coefficients, kept, _ = robust_fit(terms, relative)
    share = float(coefficients[3])
    # what of the flat is no plane, and what of the background
    bent = _without_plane(plane[kept], shape.ravel()[kept])
    left = _without_plane(plane[kept], relative[kept])
    if not (np.isfinite(share) and bent.std() > _LEAST_SHAPE / 2):
        return None
    residuals = left - share * bent
    error = float(residuals.std() / np.sqrt((bent**2).sum()))
    return FlatResidue(
        share=share,
        error=error,
        explained=float(max(0.0, 1 - (residuals**2).sum() / max((left**2).sum(), 1e-30))),
        swing=abs(share) * float(np.ptp(np.percentile(bent, [2, 98]))),
    )


def _without_plane(plane: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    coefficients = np.linalg.lstsq(plane, values, rcond=None)[0]
    return np.asarray(values - plane @ coefficients)
