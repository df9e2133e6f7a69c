"""Which peaks of a frame are stars, and the profile that its stars share.

The frame is its own yardstick: the brightest lone peaks are fitted, their
median is the frame's profile, and every peak must then look like them.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.stars.detection import LEAST_FWHM_PX, LEVEL_FWHM_PX, Peaks, sharpest_flatness
from stackbench.stars.fluxes import ring_px
from stackbench.stars.moments import Moments, windowed_moments
from stackbench.stars.profile import FWHM_PER_SIGMA, StarProfile, clipped
from stackbench.stars.records import Floats
from stackbench.stars.shapes import ShapeFits, fit_shapes
from stackbench.stars.trails import crowded, repeated_offset

Pixels = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

_TRIED, _PAIRED = 80, 240
_WINDOW = 1.5  # of the stars' σ
_FIRST_U = 0.3
# A star's FWHM may differ from the frame's by this factor (optics off axis).
_MOST_SIZE, _LEAST_SIZE = 1.7, 0.6
_DOUBT = 4.0  # σ
# Under the window, against the sky around the star itself.
_LEAST_SNR = 5.0
# Without a shared profile, only what is plainly no cosmic-ray hit is listed.
_PLAIN_FWHM_PX, _MOST_ELONGATED = 1.5, 3.0


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
    profile = _shared_profile(image, peaks, level_fwhm, min_stars)
    if profile is None:
        moments = _moments(image, peaks, level_fwhm, 3 * level_fwhm)
        major, minor = moments.axes()
        usable = (moments.snr > _LEAST_SNR) & (minor > _seen(_PLAIN_FWHM_PX, moments))
        usable &= major < _MOST_ELONGATED * minor
        return Survey(peaks=peaks.select(usable), moments=_select(moments, usable), profile=None)
    head = peaks.select(np.arange(len(peaks)) < _PAIRED)
    moments = _moments(image, peaks, profile.fwhm_px, ring_px(profile))
    stars = _alike(peaks, moments, profile)
    peaks, moments = peaks.select(stars), _select(moments, stars)
    # Looked for among all peaks: a second image beside a star has spoilt moments.
    bump = repeated_offset(
        head.x,
        head.y,
        head.snr,
        reach_px=max(8 * profile.fwhm_px, 30.0),
        tolerance_px=max(1.0, 0.2 * profile.fwhm_px),
    )
    if bump is None:
        return Survey(peaks=peaks, moments=moments, profile=profile)
    offset, share = bump
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

    def _freed(value: Floats) -> Floats:
        share: Floats = np.clip(value / w2, 0.05, 0.8)
        width: Floats = half_maximum * w2 * share / (1 - share)
        return width

    major, minor = (_freed(axis) for axis in moments.axes())
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


def _shared_profile(image: Pixels, peaks: Peaks, fwhm: float, min_stars: int) -> StarProfile | None:
    """Fit the brightest lone peaks; their medians are the profile."""
    alone = lone(peaks.x, peaks.y, peaks.snr, radius_px=3 * fwhm)
    if alone.sum() < _TRIED // 4:
        alone[:] = True
    peaks = peaks.select(np.flatnonzero(alone)[:_TRIED])
    moments = _moments(image, peaks, fwhm, 3 * fwhm)
    guess = half_width_tensor(moments)
    fits = fit_shapes(image, moments.x, moments.y, moments.sky, guess, u=_FIRST_U, free_u=True)
    return _median_profile(fits, peaks, min_stars)


def _median_profile(fits: ShapeFits, peaks: Peaks, min_stars: int) -> StarProfile | None:
    """Medians of the fits that agree with each other; None when too few do."""
    size = np.where(fits.minor_fwhm > LEAST_FWHM_PX, np.log(fits.fwhm), np.nan)
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
    long, short = profile.axes_px
    doubt = _DOUBT * 0.75 * moments.window_px**2 / np.maximum(moments.snr, _LEAST_SNR)
    alike = moments.snr > _LEAST_SNR
    alike &= minor > _seen(_LEAST_SIZE * short, moments) - doubt
    alike &= major < _seen(_MOST_SIZE * long, moments) + doubt
    if peaks.level == 1:
        least = sharpest_flatness(short)
        doubt = 3 * peaks.noise / peaks.peak
        alike &= peaks.flatness > 0.7 * least - doubt
        alike &= peaks.flatness < 1 - 0.35 * (1 - sharpest_flatness(long)) + doubt
    return alike


def _seen(fwhm: float, moments: Moments) -> float:
    """Second moment of a Gaussian of this FWHM under the window, px²."""
    sigma2, w2 = (fwhm / FWHM_PER_SIGMA) ** 2, moments.window_px**2
    return float(sigma2 * w2 / (sigma2 + w2))


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
