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
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled, inlined, inner, inner_fast
from stackbench.frames.instructions import Index, lower, upper
from stackbench.stars.records import Floats

_LEAST_U, _MOST_U = 0.005, 0.9
_MOST_STEPS = 30
# det c = (2/FWHM)⁴: profiles of 0.4 to 200 px, beyond which a fit has run away.
_LEAST_SHAPE, _MOST_SHAPE = 1e-8, 625.0
_PARAMETERS = 8
_MOST_PIXELS = 4096


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
    count = _PARAMETERS if free_u else _PARAMETERS - 1
    _fit_all(image, x, y, sky, tensor[0], tensor[1], tensor[2], u, count, _make_work(), table)
    names = ("amplitude", "x", "y", "cxx", "cxy", "cyy", "sky", "u", "chi_noise", "misfit")
    return ShapeFits(**dict(zip(names, table, strict=True)))


class _Work(NamedTuple):
    """Working space of the kernel, for the equations at hand and those on trial."""

    pixels: Floats  # (3, most pixels of a star): offsets x, y and values
    jacobian: Floats  # (9, most pixels of a star)
    h: Floats
    g: Floats
    factor: Floats
    step: Floats
    trial: Floats
    trial_h: Floats
    trial_g: Floats
    parameters: Floats


def _make_work() -> _Work:
    square, line = (_PARAMETERS, _PARAMETERS), (_PARAMETERS,)
    shapes = ((3, _MOST_PIXELS), (9, _MOST_PIXELS), square, line, square, line, line, square)
    return _Work(*map(np.empty, (*shapes, line, line)))


@inner_fast
def _normal_equations(
    p: Floats, pixels: Floats, n: int, jacobian: Floats, count: int, h: Floats, g: Floats
) -> float:
    """Fill JᵀJ into `h` and Jᵀr into `g` for the first `count` parameters; return Σr².

    `pixels` holds the offsets x, y and the values; parameters are A, x, y,
    cxx, cxy, cyy, B, u.
    """
    u = p[7]
    beta, k = 1.0 / u, 2.0**u - 1.0
    slope_k = 2.0**u * np.log(2.0)
    square = 0.0
    for i in range(n):
        dx, dy = pixels[0, i] - p[1], pixels[1, i] - p[2]
        lx, ly = p[3] * dx + p[4] * dy, p[4] * dx + p[5] * dy
        q = lx * dx + ly * dy
        t = 1.0 + k * q
        log_t = np.log(t)
        f = np.exp(-beta * log_t)
        r = pixels[2, i] - (p[0] * f + p[6])
        slope = -p[0] * f * beta * k / t  # d model / dq
        jacobian[0, i] = f
        jacobian[1, i] = -2.0 * slope * lx
        jacobian[2, i] = -2.0 * slope * ly
        jacobian[3, i] = slope * dx * dx
        jacobian[4, i] = 2.0 * slope * dx * dy
        jacobian[5, i] = slope * dy * dy
        jacobian[6, i] = 1.0
        jacobian[7, i] = p[0] * f * beta * (beta * log_t - slope_k * q / t)
        jacobian[8, i] = r
        square += r * r
    for a in range(count):
        row = jacobian[a]
        for b in range(a + 1):
            other = jacobian[b]
            total = 0.0
            for i in range(n):
                total += row[i] * other[i]
            h[a, b] = h[b, a] = total
        total = 0.0
        for i in range(n):
            total += row[i] * jacobian[8, i]
        g[a] = total
    return square


@inner
def _solve(
    h: Floats, damping: float, g: Floats, count: Index, factor: Floats, step: Floats
) -> bool:
    """Solve (H + damping·diag H)·step = g by Cholesky; False if not positive definite."""
    for a in range(count):
        for b in range(a + 1):
            total = h[a, b] * (1.0 + damping if a == b else 1.0)
            for c in range(b):
                total -= factor[a, c] * factor[b, c]
            if a == b:
                if not total > 1e-12 * h[a, a]:
                    return False
                factor[a, a] = np.sqrt(total)
            else:
                factor[a, b] = total / factor[b, b]
    for a in range(count):
        total = g[a]
        for c in range(a):
            total -= factor[a, c] * step[c]
        step[a] = total / factor[a, a]
    for a in range(count - 1, -1, -1):
        total = step[a]
        for c in range(a + 1, count):
            total -= factor[c, a] * step[c]
        step[a] = total / factor[a, a]
    return True


@inner
def _gather(
    image: npt.NDArray[np.float32], x: float, y: float, radius: float, pixels: Floats
) -> int:
    """Write offsets from (x, y) and values of the defined pixels in reach; 0 if unusable."""
    ny, nx = image.shape
    ix, iy = np.int64(np.floor(x + 0.5)), np.int64(np.floor(y + 0.5))
    if ix < 2 or iy < 2 or ix >= nx - 2 or iy >= ny - 2:
        return 0
    for j in range(iy - 1, iy + 2):
        for i in range(ix - 1, ix + 2):
            if not np.isfinite(image[j, i]):
                return 0
    n = 0
    for j in range(upper(0, np.int64(iy - radius)), lower(ny, np.int64(iy + radius) + 1)):
        for i in range(upper(0, np.int64(ix - radius)), lower(nx, np.int64(ix + radius) + 1)):
            if (i - ix) ** 2 + (j - iy) ** 2 <= radius**2 and np.isfinite(image[j, i]):
                if n == pixels.shape[1]:
                    return n
                pixels[0, n], pixels[1, n], pixels[2, n] = i - x, j - y, image[j, i]
                n += 1
    return n


@inlined
def _fit(p: Floats, n: int, count: int, radius: float, work: _Work) -> float:
    """Improve the parameters `p` in place; return Σr², or NaN if the fit ran away."""
    pixels, jacobian, h, g, factor, step, trial, trial_h, trial_g, _ = work
    square = _normal_equations(p, pixels, n, jacobian, count, h, g)
    damping = 1e-3
    for _ in range(_MOST_STEPS):
        if not _solve(h, damping, g, count, factor, step):
            damping *= 10.0
            if damping > 1e8:
                return np.nan
            continue
        for a in range(_PARAMETERS):
            trial[a] = p[a] + step[a] if a < count else p[a]
        trial[7] = lower(upper(trial[7], _LEAST_U), _MOST_U)
        inside = (
            trial[3] > 0
            and trial[3] * trial[5] > trial[4] ** 2
            and trial[1] ** 2 + trial[2] ** 2 < 0.25 * radius**2
        )
        new = np.inf
        if inside:
            new = _normal_equations(trial, pixels, n, jacobian, count, trial_h, trial_g)
        if not new < square:
            small = inside and new - square < 1e-6 * square
            damping *= 10.0
            if small or damping > 1e8:
                break
            continue
        gain = (square - new) / square
        for a in range(_PARAMETERS):
            p[a] = trial[a]
            g[a] = trial_g[a]
            for b in range(_PARAMETERS):
                h[a, b] = trial_h[a, b]
        square = new
        damping = upper(damping * 0.1, 1e-9)
        if gain < 1e-5:
            break
    return square


@inner
def _chi_variance(p: Floats, square: float, n: int, work: _Work) -> float:
    """Mean variance of the two components of χ, from the covariance of the fit."""
    h, factor, step, unit = work.h, work.factor, work.step, work.trial_g
    trace = p[3] + p[5]
    chi_x, chi_y = (p[5] - p[3]) / trace, -2.0 * p[4] / trace
    variance = 0.0
    shape_only = np.int64(7)  # all but u; a literal would compile the solver twice
    for part in range(2):
        for a in range(_PARAMETERS):
            unit[a] = 0.0
        if part == 0:
            unit[3], unit[5] = (-1.0 - chi_x) / trace, (1.0 - chi_x) / trace
        else:
            unit[3], unit[4], unit[5] = -chi_y / trace, -2.0 / trace, -chi_y / trace
        if not _solve(h, 0.0, unit, shape_only, factor, step):
            return np.nan
        for a in range(3, 6):
            variance += 0.5 * unit[a] * step[a]
    freedom: int = upper(n - 7, 1)
    return variance * square / freedom


@compiled
def _fit_all(
    image: npt.NDArray[np.float32],
    x: Floats,
    y: Floats,
    sky: Floats,
    xx: Floats,
    xy: Floats,
    yy: Floats,
    u: float,
    count: int,
    work: _Work,
    table: Floats,
) -> None:
    """Fit `count` parameters to every star; fill `table` in the order of `ShapeFits`."""
    p = work.parameters
    for k in range(x.size):
        determinant = xx[k] * yy[k] - xy[k] ** 2
        if not determinant > 0:
            continue
        # Sum of the semi-axes of an ellipse: √(trace + 2√det). Twice that: both FWHM.
        radius = 1.0 + 2.0 * np.sqrt(xx[k] + yy[k] + 2.0 * np.sqrt(determinant))
        n = _gather(image, x[k], y[k], radius, work.pixels)
        if n < 20:
            continue
        ix, iy = np.int64(np.floor(x[k] + 0.5)), np.int64(np.floor(y[k] + 0.5))
        p[0] = upper(float(image[iy, ix]) - sky[k], 1e-3)
        p[1] = p[2] = 0.0
        p[3], p[4], p[5] = yy[k] / determinant, -xy[k] / determinant, xx[k] / determinant
        p[6], p[7] = sky[k], u
        square = _fit(p, n, count, radius, work)
        shape = p[3] * p[5] - p[4] ** 2
        if not np.isfinite(square) or not p[0] > 0 or not _LEAST_SHAPE < shape < _MOST_SHAPE:
            continue
        for a in range(_PARAMETERS):
            table[a, k] = p[a]
        table[1, k] += x[k]
        table[2, k] += y[k]
        table[8, k] = np.sqrt(_chi_variance(p, square, n, work))
        table[9, k] = np.sqrt(square / n) / p[0]
