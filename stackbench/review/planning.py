"""What to do next: how long to expose, how many hours more, which filter needs them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

# Read noise may raise the noise of the sky by this much before longer subs are
# worth their risks (common practice, no source).
READ_NOISE_SHARE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterDepth:
    """How deep a filter's stack is.

    `exposure_s` is the total of the kept subs and `sub_s` the length of one.
    `noise_adu` is the stack's noise per pixel on the scale of its reference sub
    of `sub_s`, had nothing been resampled, which hides a part of it from a single
    pixel but not from many; `sky_adu` that sub's sky. Gain and read noise (`gain_e_per_adu`,
    `read_noise_e`) are the camera's; None where unknown. `star_adu` is the
    flux of the filter's median star, ADU in one sub.
    """

    filter: str | None
    subs: int
    exposure_s: float
    sub_s: float
    noise_adu: float
    sky_adu: float | None = None
    star_adu: float | None = None
    fwhm_px: float | None = None
    gain_e_per_adu: float | None = None
    read_noise_e: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterAdvice:
    """What a filter's stack is worth now, and what would help it.

    `noise_e_s` is its noise in electrons per second and pixel; `sky_e_s` the
    sky's light in the same unit. `star_snr` is the signal-to-noise ratio of the
    median star within a circle of one FWHM's diameter. `shortest_sub_s` is the
    sub length at which read noise adds 5 % to the sky's noise, `read_share` what it
    adds at the present length; `longer_gain` is the share by which subs of that
    length would lower the noise of the stack (0 when the present ones are longer).
    `more_hours` is what lowers the noise by the factor asked for, `balance_hours`
    what would bring it down to the geometric mean of the other filters (0 when
    it is there), in units of the median star's light where that is known.
    Unknown is None.
    """

    depth: FilterDepth
    noise_e_s: float | None
    sky_e_s: float | None
    star_snr: float | None
    shortest_sub_s: float | None
    read_share: float | None
    longer_gain: float | None
    more_hours: float
    balance_hours: float | None


def shortest_sub_s(
    *, read_noise_e: float, sky_e_s: float, share: float = READ_NOISE_SHARE
) -> float:
    """Return the sub length at which read noise raises the sky's noise by a share.

    Parameters
    ----------
    read_noise_e : float
        R, electrons.
    sky_e_s : float
        B, electrons per second and pixel, above 0.
    share : float
        p, above 0.

    Returns
    -------
    float
        t = R² / (((1 + p)² − 1) B), seconds.

    Raises
    ------
    ValueError
        If `sky_e_s` or `share` is not above 0.
    """
    if not (sky_e_s > 0 and share > 0):
        raise ValueError(f"sky and share must be above 0, got {sky_e_s:g} and {share:g}")
    return read_noise_e**2 / (((1 + share) ** 2 - 1) * sky_e_s)


def read_noise_share(*, read_noise_e: float, sky_e_s: float, sub_s: float) -> float:
    """Return by how much read noise raises the noise of subs above that of the sky.

    Parameters
    ----------
    read_noise_e : float
        R, electrons.
    sky_e_s : float
        B, electrons per second and pixel, above 0.
    sub_s : float
        t, seconds, above 0.

    Returns
    -------
    float
        √(B t + R²) / √(B t) − 1.
    """
    sky_e = sky_e_s * sub_s
    return math.sqrt((sky_e + read_noise_e**2) / sky_e) - 1


def noise_against_one_exposure(
    *, read_noise_e: float, sky_e_s: float, sub_s: float, total_s: float
) -> float:
    """Return a stack's noise relative to one exposure of the same total length.

    Parameters
    ----------
    read_noise_e : float
        R, electrons.
    sky_e_s : float
        B, electrons per second and pixel.
    sub_s, total_s : float
        Length of one sub, t, and of all, T, seconds.

    Returns
    -------
    float
        √((B T + (T/t) R²) / (B T + R²)), 1 or more.
    """
    sky_e = sky_e_s * total_s
    read_variance = read_noise_e**2
    return math.sqrt((sky_e + total_s / sub_s * read_variance) / (sky_e + read_variance))


def signal_to_noise(
    star_e: float, *, pixels: float, variance_e2: float, sky_pixels: float = math.inf
) -> float:
    """Return a star's signal-to-noise ratio by the CCD equation.

    Parameters
    ----------
    star_e : float
        Electrons from the star in the aperture, S.
    pixels : float
        Pixels in the aperture, n.
    variance_e2 : float
        Variance of one pixel without the star, e⁻²: sky and dark electrons,
        squared read noise, and (gain × 0.289)² for rounding.
    sky_pixels : float
        Pixels from which the sky was measured, n_B; infinity for a sky that is known.

    Returns
    -------
    float
        S / √(S + n (1 + n/n_B) σ²).

    References
    ----------
    Merline & Howell 1995, Experimental Astronomy 6, 163; Howell 2006, Handbook
    of CCD Astronomy, 2nd ed., section 4.4 (long form from memory).
    """
    background = pixels * (1 + pixels / sky_pixels) * variance_e2
    return star_e / math.sqrt(star_e + background)


def more_hours(hours: float, *, gain: float) -> float:
    """Return the hours to add so that the noise falls by a factor.

    Parameters
    ----------
    hours : float
        Exposed so far.
    gain : float
        Signal-to-noise ratio wanted over that of now, 1 or more.

    Returns
    -------
    float
        hours (gain² − 1): noise falls with the square root of the time.

    Raises
    ------
    ValueError
        If `gain` is below 1.
    """
    if gain < 1:
        raise ValueError(f"a gain of at least 1 is wanted, got {gain:g}")
    return hours * (gain**2 - 1)


def advise(
    depths: Sequence[FilterDepth], *, gain: float = math.sqrt(2)
) -> tuple[FilterAdvice, ...]:
    """Tell for each filter of a target what it is worth and what would help it.

    Parameters
    ----------
    depths : sequence of FilterDepth
        The filters of one target and setup.
    gain : float
        Gain in signal-to-noise ratio asked for.

    Returns
    -------
    tuple of FilterAdvice
        In the order of `depths`.
    """
    noises = _comparable_noises(depths)
    return tuple(
        _advice(depth, noise, [other for n, other in enumerate(noises) if n != index], gain)
        for index, (depth, noise) in enumerate(zip(depths, noises, strict=True))
    )


def _comparable_noises(depths: Sequence[FilterDepth]) -> list[float | None]:
    """Give noises that may be compared between filters.

    A wide filter has a bright sky, and more signal as well: where the stars of all
    filters are known, noise is counted in units of the median star's light.
    """
    ratios = [_star_snr(depth) for depth in depths]
    known = [ratio for ratio in ratios if ratio is not None]
    if len(known) == len(ratios):
        return [1 / ratio for ratio in known]
    return [_noise_e_s(depth) for depth in depths]


def _advice(
    depth: FilterDepth, noise: float | None, others: Sequence[float | None], gain: float
) -> FilterAdvice:
    hours = depth.exposure_s / 3600
    sky = None
    if depth.sky_adu is not None and depth.sky_adu > 0 and depth.gain_e_per_adu is not None:
        sky = depth.sky_adu * depth.gain_e_per_adu / depth.sub_s
    shortest = share = longer_gain = None
    if sky is not None and depth.read_noise_e is not None:
        shortest = shortest_sub_s(read_noise_e=depth.read_noise_e, sky_e_s=sky)
        share = read_noise_share(read_noise_e=depth.read_noise_e, sky_e_s=sky, sub_s=depth.sub_s)
        longer_gain = 0.0
        if depth.sub_s < shortest < depth.exposure_s:
            now, then = (
                noise_against_one_exposure(
                    read_noise_e=depth.read_noise_e,
                    sky_e_s=sky,
                    sub_s=length,
                    total_s=depth.exposure_s,
                )
                for length in (depth.sub_s, shortest)
            )
            longer_gain = 1 - then / now
    known = [one for one in others if one is not None]
    balance = None
    if noise is not None and known:
        wanted = math.exp(sum(math.log(one) for one in known) / len(known))
        balance = more_hours(hours, gain=max(1.0, noise / wanted))
    return FilterAdvice(
        depth=depth,
        noise_e_s=_noise_e_s(depth),
        sky_e_s=sky,
        star_snr=_star_snr(depth),
        shortest_sub_s=shortest,
        read_share=share,
        longer_gain=longer_gain,
        more_hours=more_hours(hours, gain=gain),
        balance_hours=balance,
    )


def _noise_e_s(depth: FilterDepth) -> float | None:
    if depth.gain_e_per_adu is None or not depth.noise_adu > 0:
        return None
    return depth.noise_adu * depth.gain_e_per_adu / depth.sub_s


def _star_snr(depth: FilterDepth) -> float | None:
    """Half of a star's light falls into a circle of one FWHM's diameter (Gaussian)."""
    if depth.star_adu is None or depth.fwhm_px is None or depth.gain_e_per_adu is None:
        return None
    # the stack is on the scale of one sub of sub_s; subs may be of several lengths
    to_e = depth.gain_e_per_adu * (depth.exposure_s / depth.sub_s or max(1, depth.subs))
    return signal_to_noise(
        depth.star_adu / 2 * to_e,
        pixels=math.pi / 4 * depth.fwhm_px**2,
        variance_e2=(depth.noise_adu * to_e) ** 2,
    )
