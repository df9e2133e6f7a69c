"""Which peaks of a frame are stars, and the profile that its stars share.

The frame is its own yardstick: the brightest lone peaks are fitted, their
median is the frame's profile, and every peak must then look like them.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.stars.detection import LEVEL_FWHM_PX, Peaks, sharpest_flatness
from stackbench.stars.fluxes import ring_px
from stackbench.stars.moments import Moments, windowed_moments
from stackbench.stars.profile import FWHM_PER_SIGMA, StarProfile, clipped
from stackbench.stars.records import Floats
from stackbench.stars.shapes import ShapeFits, fit_shapes
from stackbench.stars.trails import crowded, on_trails, repeated_offset

Pixels = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

_SURVEYED, _TRIED = 1000, 80
_WINDOW = 1.5  # of the stars' σ
_FIRST_U = 0.3
# A star's FWHM may differ from the frame's by this factor (optics off axis).
_MOST_SIZE, _LEAST_SIZE = 1.7, 0.6
_HARD_TO_TELL_SNR = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """The stars of a frame, by falling S/N, and what they share.

    `profile` is None when there are too few stars to tell. `companion` is the
    offset of the second image that every star has (after a bump of the mount)
    as dx + i·dy, 0 if none, and `companion_share` its share of the light.
    """

    peaks: Peaks
    moments: Moments
    profile: StarProfile | None
    companion: complex = 0j
    companion_share: float = 0.0


def survey_stars(image: Pixels, peaks: Peaks, *, min_stars: int = 5) -> Survey:
    """Keep the peaks that are stars.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, C-contiguous
        Pixels, ADU; NaN is undefined. Not modified.
    peaks : Peaks
        Peaks found in it.
    min_stars : int
        Fewest fitted stars that make a profile.

    Returns
    -------
    Survey
        Stars with their moments, and the profile they share.
    """
    level_fwhm = LEVEL_FWHM_PX * 2.0 ** (peaks.level - 1)
    head = peaks.select(np.arange(len(peaks)) < _SURVEYED)
    first = _moments(image, head, level_fwhm, 3 * level_fwhm)
    usable = np.isfinite(first.snr) & ~on_trails(first)
    head, first = head.select(usable), _select(first, usable)
    profile = _shared_profile(image, head, first, level_fwhm, min_stars)
    if profile is None:
        return Survey(peaks=head, moments=first, profile=None)
    others = peaks.select(np.arange(len(peaks)) >= _SURVEYED)
    peaks = _joined(head, others)
    moments = _moments(image, peaks, profile.fwhm_px, ring_px(profile))
    stars = _alike(peaks, moments, profile)
    peaks, moments = peaks.select(stars), _select(moments, stars)
    bump = repeated_offset(
        moments.x[:_TRIED * 3],
        moments.y[:_TRIED * 3],
        moments.snr[:_TRIED * 3],
        reach_px=max(8 * profile.fwhm_px, 30.0),
        tolerance_px=max(1.0, 0.2 * profile.fwhm_px),
    )
    if bump is None:
        return Survey(peaks=peaks, moments=moments, profile=profile)
    offset, share, second = bump
    del second
    main = _without_companions(moments, offset, max(1.5, 0.3 * profile.fwhm_px))
    return Survey(
        peaks=peaks.select(main),
        moments=_select(moments, main),
        profile=profile,
        companion=offset,
        companion_share=share,
    )


def lone(x: Floats, y: Floats, snr: Floats, *, radius_px: float, share: float = 0.05) -> Mask:
    """Say which stars have no neighbour that would spoil their shape.

    Parameters
    ----------
    x, y, snr : ndarray, 1-D, float64
        Positions, pixels, and S/N.
    radius_px : float
        How far a neighbour matters, pixels.
    share : float
        S/N of a neighbour that matters, relative to the star's own.

    Returns
    -------
    ndarray, bool
        True where there is none.
    """
    order = np.argsort(y, kind="stable")
    flags = np.zeros(len(x), bool)
    crowded(x[order], y[order], snr[order], float(radius_px), float(share), flags)
    alone = np.empty(len(x), bool)
    alone[order] = ~flags
    return alone


def half_width_tensor(moments: Moments) -> tuple[Floats, Floats, Floats]:
    """Free windowed moments of their window, as a first guess for the fit.

    Parameters
    ----------
    moments : Moments
        Windowed moments.

    Returns
    -------
    tuple of three ndarray
        xx, xy, yy of the squared half width at half maximum, px².
    """
    w2 = moments.window_px**2
    half_maximum = 2 * np.log(2)

    def freed(value: Floats) -> Floats:
        share = np.clip(value / w2, 0.05, 0.8)
        return half_maximum * w2 * share / (1 - share)

    major, minor = (freed(axis) for axis in moments.axes())
    angle = np.arctan2(2 * moments.xy, moments.xx - moments.yy)
    mean, half = (major + minor) / 2, (major - minor) / 2
    return mean + half * np.cos(angle), half * np.sin(angle), mean - half * np.cos(angle)


def _moments(image: Pixels, peaks: Peaks, fwhm: float, ring: float) -> Moments:
    window = _WINDOW * fwhm / FWHM_PER_SIGMA
    return windowed_moments(
        image, peaks.x, peaks.y, peaks.noise, window_px=window, ring_px=max(ring, 5.0)
    )


def _select(moments: Moments, chosen: Mask) -> Moments:
    return Moments(
        x=moments.x[chosen],
        y=moments.y[chosen],
        sky=moments.sky[chosen],
        snr=moments.snr[chosen],
        xx=moments.xx[chosen],
        xy=moments.xy[chosen],
        yy=moments.yy[chosen],
        window_px=moments.window_px,
    )


def _joined(head: Peaks, others: Peaks) -> Peaks:
    """Put two lists of peaks one after the other."""

    def both(name: str) -> Floats:
        return np.concatenate([getattr(head, name), getattr(others, name)])

    return Peaks(
        x=both("x"),
        y=both("y"),
        snr=both("snr"),
        peak=both("peak"),
        peak_x=both("peak_x"),
        peak_y=both("peak_y"),
        flatness=both("flatness"),
        sky=both("sky"),
        noise=both("noise"),
        level=head.level,
    )


def _shared_profile(
    image: Pixels, peaks: Peaks, moments: Moments, fwhm: float, min_stars: int
) -> StarProfile | None:
    """Fit the brightest lone peaks; their medians are the profile."""
    alone = lone(moments.x, moments.y, moments.snr, radius_px=3 * fwhm)
    if alone.sum() < 20:
        alone[:] = True
    tried = np.flatnonzero(alone)[:_TRIED]
    if len(tried) < min_stars:
        return None
    xx, xy, yy = half_width_tensor(moments)
    fits = fit_shapes(
        image,
        moments.x[tried],
        moments.y[tried],
        moments.sky[tried],
        (xx[tried], xy[tried], yy[tried]),
        u=_FIRST_U,
        free_u=True,
    )
    return _median_profile(fits, peaks.select(tried), min_stars)


def _median_profile(fits: ShapeFits, peaks: Peaks, min_stars: int) -> StarProfile | None:
    """Medians of the fits that agree with each other; None when too few do."""
    size = np.log(fits.fwhm)
    good = clipped(size, reach=3.0, least=0.15)
    good &= np.abs(size - np.median(size[good])) < 0.35 if good.any() else False
    if good.sum() < max(min_stars, 0.3 * np.isfinite(size).sum()):
        return None
    chi = fits.chi[good]
    # β hangs on the faint wings: only the brighter half knows it.
    bright = peaks.snr[good] >= np.median(peaks.snr[good])
    return StarProfile(
        fwhm_px=float(np.median(fits.fwhm[good])),
        chi=complex(np.median(chi.real), np.median(chi.imag)),
        u=float(np.median(fits.u[good][bright])),
    )


def _alike(peaks: Peaks, moments: Moments, profile: StarProfile) -> Mask:
    """Say which peaks look like the frame's stars.

    Sharper ones are hot pixels and cosmic-ray hits, flatter ones saturated,
    wider ones galaxies, trails and knots of nebulae.
    """
    major, minor = moments.axes()
    w2 = moments.window_px**2

    def seen(fwhm: float) -> float:
        sigma2 = (fwhm / FWHM_PER_SIGMA) ** 2
        return sigma2 * w2 / (sigma2 + w2)

    long, short = profile.axes_px
    doubt = _HARD_TO_TELL_SNR * 0.75 * w2 / np.maximum(moments.snr, 1e-9)
    alike = np.isfinite(moments.snr)
    alike &= minor > seen(_LEAST_SIZE * short) - doubt
    alike &= major < seen(_MOST_SIZE * long) + doubt
    if peaks.level == 1:
        least = sharpest_flatness(short)
        doubt = 3 * peaks.noise / peaks.peak
        alike &= peaks.flatness > 0.7 * least - doubt
        alike &= peaks.flatness < 1 - 0.35 * (1 - sharpest_flatness(long)) + doubt
    return alike


def _without_companions(moments: Moments, offset: complex, tolerance: float) -> Mask:
    """Drop the fainter one of each pair that is `offset` apart."""
    place = moments.x + 1j * moments.y
    main = np.ones(len(place), bool)
    order = np.argsort(moments.y, kind="stable")
    rows = moments.y[order]
    for k in range(len(place)):
        if not main[k]:
            continue
        for target in (place[k] + offset, place[k] - offset):
            low, high = np.searchsorted(rows, [target.imag - tolerance, target.imag + tolerance])
            near = order[low:high]
            near = near[(np.abs(place[near] - target) < tolerance) & (near > k)]
            main[near] = False
    return main
