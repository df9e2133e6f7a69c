"""Fit an elliptical profile to stars, by least squares.

The model of a star as recorded, at the offsets (dx, dy) from its centre::

    A · (1 + k·q)^(−β) + B,   k = 2^(1/β) − 1
    q = cxx·dx² + 2·cxy·dx·dy + cyy·dy²

so that q = 1 at half maximum, whatever β: the semi-axes at half maximum are
1/√λ of the eigenvalues λ of the matrix c. This is Moffat's profile (Moffat
1969, A&A 3, 455); a Gaussian is its limit for large β. The parameter fitted
is u = 1/β. Pixels are compared with the model at their centres: the profile
is thus the one that the pixels recorded, integration over pixels included.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.stars.fitting import PARAMETERS, fit_all, make_work
from stackbench.stars.records import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeFits:
    """Fitted profiles; arrays of equal length, NaN where no fit was possible.

    `amplitude`, ADU; centre `x`, `y`; `cxx`, `cxy`, `cyy` (see the module);
    `u` = 1/β; `sky`, ADU; `chi_noise` is the 1σ uncertainty of each component
    of the ellipticity χ, `misfit` the rms residual over the amplitude.
    """

    amplitude: Floats
    x: Floats
    y: Floats
    cxx: Floats
    cxy: Floats
    cyy: Floats
    sky: Floats
    u: Floats
    chi_noise: Floats
    misfit: Floats

    @property
    def fwhm(self) -> Floats:
        """Size of the profiles.

        Returns
        -------
        ndarray, float64
            FWHM of the circle of the same area, pixels: geometric mean of both axes'.
        """
        return 2.0 * (self.cxx * self.cyy - self.cxy**2) ** -0.25

    @property
    def minor_fwhm(self) -> Floats:
        """Size along the minor axis.

        Returns
        -------
        ndarray, float64
            FWHM, pixels.
        """
        half_trace = (self.cxx + self.cyy) / 2
        largest = half_trace + np.hypot((self.cxx - self.cyy) / 2, self.cxy)
        return 2.0 / np.sqrt(largest)

    @property
    def chi(self) -> npt.NDArray[np.complex128]:
        """Ellipticity of the profiles.

        Returns
        -------
        ndarray, complex128
            (a² − b²)/(a² + b²)·exp(2iθ).
        """
        trace = self.cxx + self.cyy
        chi = np.empty(len(trace), np.complex128)
        chi.real, chi.imag = (self.cyy - self.cxx) / trace, -2 * self.cxy / trace
        return chi


def fit_shapes(
    image: npt.NDArray[np.float32],
    x: Floats,
    y: Floats,
    sky: Floats,
    tensor: tuple[Floats, Floats, Floats],
    *,
    u: float,
    free_u: bool,
) -> ShapeFits:
    """Fit one profile to each star.

    All pixels within a FWHM-dependent radius (the sum of both axes' FWHM, plus
    one pixel) of the first guess take part with equal weight; NaN pixels and
    pixels outside the image are left out. Levenberg–Marquardt with analytic
    derivatives.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, C-contiguous
        Pixels, ADU. Not modified.
    x, y : ndarray, 1-D, float64
        First guesses of the centres, pixels.
    sky : ndarray, 1-D, float64
        First guesses of the sky, ADU.
    tensor : tuple of three ndarray, 1-D, float64
        First guesses of the squared half widths at half maximum, as the tensor
        xx, xy, yy, px².
    u : float
        1/β, or its first guess.
    free_u : bool
        Fit u as well.

    Returns
    -------
    ShapeFits
        One entry per star; NaN where the fit failed, ran off its first guess
        or has an undefined pixel next to its centre.
    """
    table = np.full((10, len(x)), np.nan)
    count = PARAMETERS if free_u else PARAMETERS - 1
    fit_all(image, x, y, sky, tensor[0], tensor[1], tensor[2], u, count, make_work(), table)
    names = ("amplitude", "x", "y", "cxx", "cxy", "cyy", "sky", "u", "chi_noise", "misfit")
    return ShapeFits(**dict(zip(names, table, strict=True)))
