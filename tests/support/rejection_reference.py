"""The rules of rejection written plainly: one pixel at a time, float64, no kernels."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from stackbench.rejection.methods import Method, Rejection

MAD_FACTORS = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}


@dataclass
class Pixel:
    """One pixel's result, and how near a value came to being judged otherwise."""

    mean: float
    kept: int
    low: int
    high: int
    margin: float = np.inf  # of the nearest value to a limit, in half widths


def combine_pixel(values, *, rejection: Rejection, weights=None, noise=None) -> Pixel:
    """Combine the values of one pixel, as `combine_depth` is to do."""
    values = np.asarray(values, dtype=np.float64)
    weights = np.ones(values.size) if weights is None else np.asarray(weights, float)
    valid = np.isfinite(values)
    x, w = values[valid], weights[valid]
    u = None if noise is None else np.asarray(noise, float)[valid]
    typical = 0.0 if noise is None else float(np.median(noise))
    if x.size == 0:
        return Pixel(np.nan, 0, 0, 0)
    if rejection.method is Method.MEDIAN:
        return Pixel(float(np.median(x)), x.size, 0, 0)
    if rejection.method is Method.MIN_MAX:
        return _min_max(x, w, rejection)
    if rejection.method is Method.NONE or x.size < 3:
        return Pixel(_mean(x, w), x.size, 0, 0)
    clip = _sigma_clip if rejection.method is Method.SIGMA_CLIP else _winsorised
    return clip(x, w, u, typical, rejection)


def _mean(x, w):
    with np.errstate(invalid="ignore"):
        return float((w * x).sum() / w.sum()) if w.sum() > 0 else np.nan


def _min_max(x, w, rejection):
    most = (x.size - 1) // 2
    low, high = rejection.lowest, rejection.highest
    if low + high >= x.size:
        low, high = min(low, most), min(high, most)
    # A stable sort: of equal values the first layers are the "lowest"; at the
    # upper end, too, the first layers go first.
    order = list(np.argsort(x, kind="stable"))
    dropped = order[:low]
    rest = [i for i in order if i not in dropped]
    top = sorted(rest, key=lambda i: (-x[i], i))[:high]
    kept = [i for i in range(x.size) if i not in dropped and i not in top]
    return Pixel(_mean(x[kept], w[kept]), len(kept), low, high)


def robust_scale(x):
    """Median, and MAD scaled to a Gaussian's σ with the small-sample factor."""
    centre = np.median(x)
    factor = MAD_FACTORS.get(x.size, x.size / (x.size - 0.8))
    mad = np.median(np.abs(x - centre))
    return centre, stats.norm.ppf(0.75) ** -1 * factor * mad, mad


def _start(x, u, typical):
    centre, scale, mad = robust_scale(x)
    if u is None and mad == 0:
        scale = np.sqrt(np.pi / 2) * np.abs(x - centre).mean()
        flat = True
    else:
        flat = False
    return centre, max(scale, typical), flat


def _sigma_clip(x, w, u, typical, rejection):
    centre, scale, flat = _start(x, u, typical)
    if u is None and not flat:
        scale *= 1 + 50 / x.size**2
    unit = np.ones(x.size) if u is None else u
    per_unit = scale if u is None else scale / typical
    low, high = rejection.low * per_unit, rejection.high * per_unit
    # A Gaussian cut at the two κ: its spread and its mean.
    left = stats.truncnorm.std(-rejection.low, rejection.high)
    shift = stats.truncnorm.mean(-rejection.low, rejection.high)
    kept = None
    margin = np.inf
    for step in range(rejection.iterations + 1):
        z = (x - centre) / unit
        now = (z >= -low) & (z <= high)
        margin = min(margin, _margin(z, low, high))
        if kept is not None and (now == kept).all():
            break
        kept = now
        if step == rejection.iterations or kept.sum() < 2:
            break
        m = int(kept.sum())
        weight = 1 / unit[kept] ** 2
        mean = (weight * x[kept]).sum() / weight.sum()
        spread = np.sqrt((weight * (x[kept] - mean) ** 2).sum() / (m - 1))
        low, high = (
            _limit(kappa, m, m == x.size, spread, left, known=u is not None)
            for kappa in (rejection.low, rejection.high)
        )
        centre = mean
        if m < x.size:
            centre -= shift / left * spread * np.sqrt(m / weight.sum())
    below = (~kept) & ((x - centre) / unit < (high - low) / 2)
    return Pixel(
        _mean(x[kept], w[kept]),
        int(kept.sum()),
        int(below.sum()),
        int((~kept & ~below).sum()),
        margin,
    )


def _margin(z, low, high):
    """How near the nearest value is to a limit, as a part of the half width."""
    reach = (low + high) / 2
    if reach == 0:
        return 0.0
    return np.abs(np.abs(z - (high - low) / 2) / reach - 1).min() if np.isfinite(reach) else np.inf


def _limit(kappa, m, whole, spread, left, *, known):
    """The limit after m values were kept, in units of noise, or of the data."""
    tail = stats.norm.sf(kappa)
    if not whole:
        quantile = kappa if known else stats.t.isf(tail, m - 1)
        limit = quantile / left * np.sqrt(1 + 1 / m) * spread
        return max(limit, kappa * np.sqrt(1 + 1 / m)) if known else limit
    if m < 3:
        return np.inf
    quantile = (kappa if known else stats.t.isf(tail, m - 2)) / left
    limit = quantile * (m - 1) / np.sqrt(m * (m - 2 + quantile**2)) * spread
    return max(limit, kappa * np.sqrt(1 - 1 / m)) if known else limit


def _winsorised(x, w, u, typical, rejection):
    centre, scale, _ = _start(x, u, typical)
    margin = np.inf
    for _ in range(rejection.iterations):
        pulled = np.clip(x, centre - 1.5 * scale, centre + 1.5 * scale)
        before = scale
        centre = pulled.mean()
        # E[min(z², 1.5²)] = 0.778465 of a unit Gaussian.
        scale = max(1.1333926 * pulled.std(ddof=1), typical)
        change = abs(scale - before) / (0.005 * scale) if scale > 0 else 0.0
        margin = min(margin, abs(change - 1))
        if change <= 1:
            break
    unit = np.full(x.size, 1.0) if u is None else u / typical
    n = x.size
    degrees = 8.0 if n == 4 else 1.34 * n - 0.5
    limits = []
    for kappa in (rejection.low, rejection.high):
        quantile = kappa if u is not None else stats.t.isf(stats.norm.sf(kappa), degrees)
        limits.append(quantile * np.sqrt(1 - (1.5 if u is not None else 1.0) / n) * scale)
    low, high = limits
    z = (x - centre) / unit
    kept = (z >= -low) & (z <= high)
    margin = min(margin, _margin(z, low, high))
    below = ~kept & (z < (high - low) / 2)
    return Pixel(
        _mean(x[kept], w[kept]),
        int(kept.sum()),
        int(below.sum()),
        int((~kept & ~below).sum()),
        margin,
    )
