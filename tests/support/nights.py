"""Measures of invented nights: faultless ones with realistic scatter, and their faults."""

from dataclasses import replace

import numpy as np

from stackbench.review.measures import SubMeasures

FAULTS = ("cloud", "trail", "defocus")


def faultless_night(rng, count):
    """Draw the measures of one filter's subs on a night where nothing goes wrong.

    Seeing drifts by ±15 %, transparency by ±5 %, eccentricity lies between 0.2
    and 0.5, the sky changes smoothly by a factor of two; the star count
    follows from them.
    """
    fwhm = 3.0 * (1 + 0.15 * _drift(rng, count)) * (1 + rng.normal(0, 0.02, count))
    eccentricity = 0.35 + 0.15 * _drift(rng, count)
    transparency = 1 + 0.05 * _drift(rng, count)
    sky = 500 * 2 ** (0.5 + 0.5 * _drift(rng, count, smooth=True))
    noise = np.sqrt(sky + 25)
    depth = transparency / (noise / np.median(noise)) / (fwhm / 3)
    stars = rng.poisson(300 * depth**0.8)
    return [
        SubMeasures(
            fwhm_px=float(fwhm[i]),
            eccentricity=float(eccentricity[i]),
            transparency=float(transparency[i]),
            sky_adu=float(sky[i]),
            noise_adu=float(noise[i]),
            stars=int(stars[i]),
            exposure_s=120.0,
            matched=int(stars[i]) // 2,
            rms_px=0.2,
        )
        for i in range(count)
    ]


def spoil(rng, sub, fault, *, night):
    """Give a sub a fault that is as bad as the bounds say, or worse."""
    if fault == "cloud":
        clear = float(np.median([other.transparency for other in night]))
        left = rng.uniform(0.1, 0.5)
        return replace(sub, transparency=left * clear, stars=int(sub.stars * left**0.8))
    if fault == "trail":
        axis_ratio = rng.uniform(0.3, 0.7)
        return replace(sub, eccentricity=float(np.sqrt(1 - axis_ratio**2)))
    sharp = float(np.median([other.fwhm_px for other in night]))
    return replace(sub, fwhm_px=rng.uniform(1.5, 3.0) * sharp)


def _drift(rng, count, *, smooth=False):
    """A change between −1 and 1: a slow wave, a slope, or (unless smooth) no order at all."""
    time = np.linspace(0, 1, count)
    kind = rng.integers(2 if smooth else 3)
    if kind == 0:
        return np.sin(2 * np.pi * (time * rng.uniform(0.5, 2) + rng.random()))
    if kind == 1:
        return (2 * time - 1) * rng.choice([-1, 1])
    return rng.uniform(-1, 1, count)
