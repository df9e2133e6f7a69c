"""The kernels that fit profiles to stars: Levenberg–Marquardt with analytic derivatives.

Parameters are A, x, y, cxx, cxy, cyy, B and u, of the model that `shapes` tells.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled, inlined, inner, inner_fast
from stackbench.frames.instructions import Index, lower, upper
from stackbench.stars.records import Floats

PARAMETERS = 8
"""How many parameters the model has."""

_LEAST_U, _MOST_U = 0.005, 0.9
_MOST_STEPS = 30
# det c = (2/FWHM)⁴: profiles of 0.4 to 200 px, beyond which a fit has run away.
_LEAST_SHAPE, _MOST_SHAPE = 1e-8, 625.0
_MOST_ACROSS = 72
_MOST_PIXELS = _MOST_ACROSS**2


class Work(NamedTuple):
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


def make_work() -> Work:
    """Make working space for `fit_all`.

    Returns
    -------
    Work
        For one call at a time.
    """
    square, line = (PARAMETERS, PARAMETERS), (PARAMETERS,)
    shapes = ((3, _MOST_PIXELS), (9, _MOST_PIXELS), square, line, square, line, line, square)
    return Work(*map(np.empty, (*shapes, line, line)))


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
    """Write offsets from (x, y) and values of the defined pixels in reach; 0 if unusable.

    Of a star that covers more pixels than there is room for, every second row and
    column is taken, or every third and so on: it is as smooth as it is wide.
    """
    ny, nx = image.shape
    ix, iy = np.int64(np.floor(x + 0.5)), np.int64(np.floor(y + 0.5))
    if ix < 2 or iy < 2 or ix >= nx - 2 or iy >= ny - 2:
        return 0
    for j in range(iy - 1, iy + 2):
        for i in range(ix - 1, ix + 2):
            if not np.isfinite(image[j, i]):
                return 0
    n = 0
    reach = np.int64(radius)
    step = 1 + (2 * reach + 1) // _MOST_ACROSS
    reach -= reach % step  # so that the middle is taken
    for j in range(iy - reach, iy + reach + 1, step):
        if j < 0 or j >= ny:
            continue
        for i in range(ix - reach, ix + reach + 1, step):
            if i < 0 or i >= nx:
                continue
            if (i - ix) ** 2 + (j - iy) ** 2 <= radius**2 and np.isfinite(image[j, i]):
                pixels[0, n], pixels[1, n], pixels[2, n] = i - x, j - y, image[j, i]
                n += 1
    return n


@inlined
def _fit(p: Floats, n: int, count: int, radius: float, work: Work) -> float:
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
        for a in range(PARAMETERS):
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
        for a in range(PARAMETERS):
            p[a] = trial[a]
            g[a] = trial_g[a]
            for b in range(PARAMETERS):
                h[a, b] = trial_h[a, b]
        square = new
        damping = upper(damping * 0.1, 1e-9)
        if gain < 1e-5:
            break
    return square


@inner
def _chi_variance(p: Floats, square: float, n: int, work: Work) -> float:
    """Mean variance of the two components of χ, from the covariance of the fit."""
    h, factor, step, unit = work.h, work.factor, work.step, work.trial_g
    trace = p[3] + p[5]
    chi_x, chi_y = (p[5] - p[3]) / trace, -2.0 * p[4] / trace
    variance = 0.0
    shape_only = np.int64(7)  # all but u; a literal would compile the solver twice
    for part in range(2):
        for a in range(PARAMETERS):
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
def fit_all(
    image: npt.NDArray[np.float32],
    x: Floats,
    y: Floats,
    sky: Floats,
    xx: Floats,
    xy: Floats,
    yy: Floats,
    u: float,
    count: int,
    work: Work,
    table: Floats,
) -> None:
    """Fit profiles to stars.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        Pixels, ADU; NaN is left out.
    x, y, sky, xx, xy, yy : ndarray, shape (n,), float64
        First guesses, as of `shapes.fit_shapes`.
    u : float
        1/β, or its first guess.
    count : int
        How many of the `PARAMETERS` are fitted; the last is u.
    work : Work
        Working space.
    table : ndarray, shape (10, n), float64
        Receives amplitude, x, y, cxx, cxy, cyy, sky, u, the noise of χ and the
        misfit; left as it is where a fit fails.
    """
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
        for a in range(PARAMETERS):
            table[a, k] = p[a]
        table[1, k] += x[k]
        table[2, k] += y[k]
        table[8, k] = np.sqrt(_chi_variance(p, square, n, work))
        table[9, k] = np.sqrt(square / n) / p[0]
