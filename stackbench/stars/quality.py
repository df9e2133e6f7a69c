"""One frame's measures: sky, noise, star shapes, star count, star list."""

import numpy as np
import numpy.typing as npt

from stackbench.stars.background import measure_background
from stackbench.stars.detection import LEAST_FWHM_PX, find_peaks
from stackbench.stars.fluxes import total_fluxes
from stackbench.stars.profile import (
    StarProfile,
    angle_of,
    clipped,
    eccentricity_of,
)
from stackbench.stars.records import Floats, FrameMeasures, MeasureOptions, StarTable
from stackbench.stars.selection import Survey, half_width_tensor, lone, survey_stars
from stackbench.stars.shapes import ShapeFits, fit_shapes

Pixels = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

_LEAST_SIDE_PX = 16
# The fits of one frame may look at about this many pixels in all.
_FIT_PIXELS, _LEAST_FITTED = 120_000, 60
_SHAPE_SNR = 20.0
# Scatter of χ among stars below this (pixels, neighbours) is no optical pattern.
_CHI_FLOOR = 0.015


def measure_frame(
    image: Pixels,
    *,
    saturated: Mask | None = None,
    options: MeasureOptions | None = None,
) -> FrameMeasures:
    """Measure one calibrated frame.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        Calibrated pixels, ADU; NaN is undefined. Not resampled: the noise is
        taken to be independent from pixel to pixel. Not modified.
    saturated : ndarray, shape (ny, nx), bool, optional
        True where the raw pixel was saturated; stars that touch one are left
        out. Not modified.
    options : MeasureOptions, optional
        How to measure; the defaults if not given.

    Returns
    -------
    FrameMeasures
        Measures; count 0 and NaN where nothing can be told.

    Raises
    ------
    ValueError
        If `image` is not 2-D float32 or `saturated` has another shape.
    """
    options = MeasureOptions() if options is None else options
    if image.ndim != 2 or image.dtype != np.float32:
        raise ValueError(f"image must be 2-D float32, got {image.ndim}-D {image.dtype}")
    if saturated is not None and saturated.shape != image.shape:
        raise ValueError(f"saturated has shape {saturated.shape}, the image {image.shape}")
    if min(image.shape) < _LEAST_SIDE_PX:
        return _without_stars(np.nan, np.nan)
    image = np.ascontiguousarray(image)
    mesh = measure_background(image, box_px=options.box_px)
    sky, noise = float(np.median(mesh.sky)), float(np.median(mesh.noise))
    if np.isnan(sky):
        return _without_stars(np.nan, np.nan)
    peaks = find_peaks(image, mesh, saturated=saturated, least_snr=options.detect_snr)
    survey = survey_stars(image, peaks, min_stars=options.min_stars)
    if survey.profile is None:
        return _without_profile(survey, sky, noise, options)
    return _with_profile(image, survey, survey.profile, sky, noise, options)


def _with_profile(
    image: Pixels,
    survey: Survey,
    profile: StarProfile,
    sky: float,
    noise: float,
    options: MeasureOptions,
) -> FrameMeasures:
    """Fit shapes, sum fluxes and put the frame's measures together."""
    moments = survey.moments
    alone = lone(
        moments.x,
        moments.y,
        moments.snr,
        radius_px=2 * sum(profile.axes_px) + abs(survey.companion),
    )
    fitted, fits = _fit_brightest(image, survey, profile, alone, options)
    size = fits.fwhm / profile.fwhm_px
    fits_well = (size > 0.5) & (size < 2.0) & (fits.minor_fwhm > LEAST_FWHM_PX)
    fitted, fits = fitted[fits_well], _chosen(fits, fits_well)
    clean = _clean(fits, moments.snr[fitted], alone[fitted])
    if clean.sum() < options.min_stars:
        return _without_profile(survey, sky, noise, options)
    fwhm, chi = _blurred(fits, survey)
    stars = _star_table(image, survey, profile, (fitted, fits), fitted[clean], options)
    eccentricity, direction, concentration = _common_shape(chi[clean], fits.chi_noise[clean])
    return FrameMeasures(
        sky_adu=sky,
        noise_adu=noise,
        fwhm_px=float(np.median(fwhm[clean])),
        eccentricity=eccentricity,
        elongation_deg=direction,
        elongation_concentration=concentration,
        count=int((moments.snr >= options.count_snr).sum()),
        beta=1.0 / profile.u,
        stars=stars,
    )


def _star_table(
    image: Pixels,
    survey: Survey,
    profile: StarProfile,
    shapes: tuple[npt.NDArray[np.intp], ShapeFits],
    bright: npt.NDArray[np.intp],
    options: MeasureOptions,
) -> StarTable:
    """List the brightest stars; `shapes` are the fitted ones' indices and fits."""
    moments, (fitted, fits) = survey.moments, shapes
    fwhm, chi = _blurred(fits, survey)
    listed = np.arange(min(len(moments.x), 2 * options.max_stars))
    x, y = moments.x[listed].copy(), moments.y[listed].copy()
    known = fitted < len(listed)
    x[fitted[known]], y[fitted[known]] = fits.x[known], fits.y[known]
    flux = total_fluxes(
        image,
        x,
        y,
        moments.sky[listed],
        profile=profile,
        bright=bright[bright < len(listed)],
        reach_px=abs(survey.companion),
    )
    shape = np.full((3, len(listed)), np.nan)
    shape[:, fitted[known]] = fwhm[known], eccentricity_of(chi[known]), angle_of(chi[known])
    order = listed[np.argsort(-flux, kind="stable")]
    order = order[flux[order] > 0][: options.max_stars]
    return StarTable(
        x=x[order],
        y=y[order],
        flux=flux[order],
        peak=survey.peaks.peak[order],
        snr=moments.snr[order],
        fwhm_px=shape[0, order],
        eccentricity=shape[1, order],
        angle_deg=shape[2, order],
    )


def _fit_brightest(
    image: Pixels, survey: Survey, profile: StarProfile, alone: Mask, options: MeasureOptions
) -> tuple[npt.NDArray[np.intp], ShapeFits]:
    """Fit the brightest stars, lone ones first; their indices and shapes."""
    pixels_each = np.pi * (sum(profile.axes_px) + 1) ** 2
    room = min(options.max_fitted, max(_LEAST_FITTED, int(_FIT_PIXELS / pixels_each)))
    moments = survey.moments
    order = np.concatenate([np.flatnonzero(alone), np.flatnonzero(~alone)])
    chosen = np.sort(order[:room])
    xx, xy, yy = half_width_tensor(moments)
    fits = fit_shapes(
        image,
        moments.x[chosen],
        moments.y[chosen],
        moments.sky[chosen],
        (xx[chosen], xy[chosen], yy[chosen]),
        u=profile.u,
        free_u=False,
    )
    return chosen, fits


def _chosen(fits: ShapeFits, mask: Mask) -> ShapeFits:
    return ShapeFits(
        amplitude=fits.amplitude[mask],
        x=fits.x[mask],
        y=fits.y[mask],
        cxx=fits.cxx[mask],
        cxy=fits.cxy[mask],
        cyy=fits.cyy[mask],
        sky=fits.sky[mask],
        u=fits.u[mask],
        chi_noise=fits.chi_noise[mask],
        misfit=fits.misfit[mask],
    )


def _clean(fits: ShapeFits, snr: Floats, alone: Mask) -> Mask:
    """Say which fitted stars speak for the frame: lone, bright, and alike."""
    pool = np.ones(len(snr), bool)
    for wish in (alone, snr >= _SHAPE_SNR):
        if (pool & wish).sum() >= 20:
            pool &= wish
    chi = fits.chi
    clean = pool.copy()
    for values, least in ((np.log(fits.fwhm), 0.05), (chi.real, 0.03), (chi.imag, 0.03)):
        clean &= clipped(np.where(pool, values, np.nan), reach=4.0, least=least)
    return clean


def _blurred(fits: ShapeFits, survey: Survey) -> tuple[Floats, npt.NDArray[np.complex128]]:
    """FWHM and χ of the stars, widened by the second image that all of them have.

    Two images with shares 1 − f and f, d apart, add f(1 − f)·d dᵀ to the
    profile's variance; a FWHM is taken to follow the standard deviation as a
    Gaussian's does.
    """
    if survey.companion == 0:
        return fits.fwhm, fits.chi
    determinant = fits.cxx * fits.cyy - fits.cxy**2
    f = survey.companion_share
    d = survey.companion
    extra = f * (1 - f) * 2 * np.log(2)  # squared half width at half maximum per variance
    xx = fits.cyy / determinant + extra * d.real**2
    xy = -fits.cxy / determinant + extra * d.real * d.imag
    yy = fits.cxx / determinant + extra * d.imag**2
    fwhm = 2 * (xx * yy - xy**2) ** 0.25
    return fwhm, (xx - yy + 2j * xy) / (xx + yy)


def _common_shape(chi: npt.NDArray[np.complex128], noise: Floats) -> tuple[float, float, float]:
    """Eccentricity, direction and concentration from the stars' ellipticities.

    |χ| of a single star is biased upwards by noise. So the common part is the
    weighted mean of χ, less its own error (twice its square, so that round
    stars come out round); the part that turns
    from star to star is the scatter of χ, less the part of it that noise
    explains, and counts only where it clearly exceeds that.
    """
    weight = 1.0 / (noise**2 + _CHI_FLOOR**2)
    mean = complex((weight * chi).sum() / weight.sum())
    count = len(chi)
    apart = np.abs(chi - mean) ** 2
    mean_error2 = float((weight**2 * apart).sum() / weight.sum() ** 2)  # both components
    common2 = max(abs(mean) ** 2 - 2 * mean_error2, 0.0)
    sharp = noise <= np.median(noise)
    by_noise = 2 * float(np.median(noise[sharp] ** 2))
    scatter = float(np.median(apart[sharp])) - np.log(2) * by_noise - _CHI_FLOOR**2
    turning2 = scatter if scatter > 3 * by_noise / np.sqrt(count / 2) else 0.0
    total2 = common2 + turning2
    certain = abs(mean) ** 2 > 4 * mean_error2
    return (
        float(eccentricity_of(complex(np.sqrt(total2)))),
        float(angle_of(mean)) if certain else float("nan"),
        float(np.sqrt(common2 / total2)) if total2 > 0 else 0.0,
    )


def _without_profile(
    survey: Survey, sky: float, noise: float, options: MeasureOptions
) -> FrameMeasures:
    """List the few peaks there are; their shape cannot be told."""
    moments = survey.moments
    sigma2 = (moments.window_px / 1.5) ** 2
    # Under its Gaussian window a Gaussian star keeps w²/(σ² + w²) of its flux.
    kept = moments.window_px**2 / (sigma2 + moments.window_px**2)
    flux = moments.snr * survey.peaks.noise * moments.window_px * np.sqrt(np.pi) / kept
    order = np.argsort(-flux, kind="stable")[: options.max_stars]
    unknown = np.full(len(order), np.nan)
    measures = _without_stars(sky, noise)
    return FrameMeasures(
        sky_adu=sky,
        noise_adu=noise,
        fwhm_px=measures.fwhm_px,
        eccentricity=measures.eccentricity,
        elongation_deg=measures.elongation_deg,
        elongation_concentration=measures.elongation_concentration,
        count=int((moments.snr >= options.count_snr).sum()),
        beta=measures.beta,
        stars=StarTable(
            x=moments.x[order],
            y=moments.y[order],
            flux=flux[order],
            peak=survey.peaks.peak[order],
            snr=moments.snr[order],
            fwhm_px=unknown,
            eccentricity=unknown,
            angle_deg=unknown,
        ),
    )


def _without_stars(sky: float, noise: float) -> FrameMeasures:
    none = np.empty(0)
    nan = float("nan")
    return FrameMeasures(
        sky_adu=sky,
        noise_adu=noise,
        fwhm_px=nan,
        eccentricity=nan,
        elongation_deg=nan,
        elongation_concentration=nan,
        count=0,
        beta=nan,
        stars=StarTable(
            x=none,
            y=none,
            flux=none,
            peak=none,
            snr=none,
            fwhm_px=none,
            eccentricity=none,
            angle_deg=none,
        ),
    )
