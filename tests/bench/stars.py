"""What measuring one frame costs, stage by stage, against photutils and sep; how right it is.

Run it with ``python -m tests.bench.stars``; ``--stars 3000`` for more. All
times are of one thread, the best of several runs, in one process. Then come
the largest errors over ``--fields`` painted fields of random known shape.
"""

import argparse
import time
from collections.abc import Callable

import numpy as np
import sep
from photutils.background import Background2D
from photutils.psf import fit_fwhm

from stackbench.stars.background import background_image, measure_background
from stackbench.stars.detection import find_peaks
from stackbench.stars.quality import measure_frame
from stackbench.stars.selection import survey_stars
from tests.support.starpainter import Profile, add_star, paint_field

SHAPE = (3326, 3520)
NOISE = 12.0
FWHM = 3.5


def best(work: Callable[[], object], *, runs: int = 3) -> float:
    """Least CPU time of several runs, s: other processes do not count."""
    times = []
    for _ in range(runs):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def frame(rng: np.random.Generator, stars: int) -> tuple[np.ndarray, np.ndarray]:
    """A frame with stars (float32) and its true background, a slope and a glow."""
    ny, nx = SHAPE
    y, x = np.arange(ny)[:, None], np.arange(nx)[None, :]
    truth = 1000 + 0.03 * x + 300 * np.exp(-np.hypot((x - 1800) / 600, (y - 1500) / 250))
    image = truth + rng.normal(0, NOISE, SHAPE)
    density = Profile(fwhm=FWHM, beta=3.0).density
    snr = np.minimum(8 * rng.random(stars) ** (-1 / 1.1), 5000)
    for s in snr:
        x, y = rng.uniform(10, SHAPE[1] - 10), rng.uniform(10, SHAPE[0] - 10)
        flux = s * NOISE * np.sqrt(4 * np.pi) * FWHM / 2.3548
        add_star(image, density, x=x, y=y, flux=flux, radius=25, fine=3)
    return image.astype(np.float32), truth


def compare_backgrounds(image: np.ndarray, truth: np.ndarray) -> None:
    """Print time and error of each way to find the background."""

    def sep_sky() -> np.ndarray:
        return sep.Background(image).back()

    def photutils_sky() -> np.ndarray:
        return Background2D(image, 64).background

    def own_sky() -> np.ndarray:
        return background_image(measure_background(image))

    print(f"{'background':<28}{'mesh, s':>9}{'map, s':>9}{'rms error':>11}{'bias, ADU':>11}")
    ways = {
        "photutils Background2D": (photutils_sky, lambda: Background2D(image, 64)),
        "sep.Background": (sep_sky, lambda: sep.Background(image)),
        "measure_background": (own_sky, lambda: measure_background(image)),
    }
    for name, (whole, mesh) in ways.items():
        apart = whole() - truth
        print(
            f"{name:<28}{best(mesh):9.3f}{best(whole, runs=1):9.3f}"
            f"{apart.std():11.3f}{np.median(apart):11.3f}"
        )


def compare_measures(image: np.ndarray) -> None:
    """Print the stages' times and the libraries' for the same work."""
    mesh = measure_background(image)
    peaks = find_peaks(image, mesh)
    measures = measure_frame(image)
    background = sep.Background(image)
    flat = image - background.back()
    chosen = np.isfinite(measures.stars.fwhm_px)
    places = list(zip(measures.stars.x[chosen][:50], measures.stars.y[chosen][:50], strict=True))
    per_star = best(lambda: fit_fwhm(flat, xypos=places, fit_shape=(13, 13)), runs=1) / len(places)
    rows = {
        "measure_background": best(lambda: measure_background(image)),
        "find_peaks": best(lambda: find_peaks(image, mesh)),
        "survey_stars": best(lambda: survey_stars(image, peaks)),
        "measure_frame (all)": best(lambda: measure_frame(image)),
        "sep background + subtract": best(lambda: image - sep.Background(image).back()),
        "sep.extract": best(lambda: sep.extract(flat, 5, err=background.globalrms)),
        f"photutils fit_fwhm x {chosen.sum()}": per_star * chosen.sum(),
    }
    print()
    for name, seconds in rows.items():
        print(f"{name:<28}{seconds:9.3f} s")
    print(
        f"{measures.count} stars counted, {chosen.sum()} shapes listed, "
        f"FWHM {measures.fwhm_px:.3f} px, eccentricity {measures.eccentricity:.3f}"
    )


def measure_fields(rng: np.random.Generator, count: int) -> None:
    """Print the largest errors over fields of FWHM 2 to 8 px, axis ratio 0.5 to 1, S/N from 20."""
    widths, shapes, round_shapes = [], [], []
    for number in range(count):
        ratio = 1.0 if number % 5 == 0 else rng.uniform(0.5, 0.95)
        profile = Profile(
            fwhm=float(np.exp(rng.uniform(np.log(2), np.log(8)))),
            axis_ratio=ratio,
            angle_deg=rng.uniform(0, 180),
            beta=None if number % 4 == 0 else rng.uniform(2.5, 5),
        )
        field = paint_field(
            profile.density, rng=rng, fwhm=profile.fwhm, shape=(640, 640), apart=4.5 * profile.fwhm
        )
        measures = measure_frame(field.image)
        major, minor = profile.recorded_axes()
        truth = np.sqrt(max(0.0, 1 - (minor / major) ** 2))
        widths.append(abs(measures.fwhm_px / np.sqrt(major * minor) - 1))
        (round_shapes if ratio == 1.0 else shapes).append(abs(measures.eccentricity - truth))
    print(
        f"\n{count} fields: largest error of the median FWHM {100 * max(widths):.2f} %, "
        f"of the eccentricity {max(shapes):.4f}, of round stars' {max(round_shapes):.4f}"
    )


def main() -> None:
    """Make a frame and measure it each way."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--stars", type=int, default=2000)
    parser.add_argument("--fields", type=int, default=100)
    options = parser.parse_args()
    image, truth = frame(np.random.default_rng(1), options.stars)
    measure_frame(image)  # compiles
    compare_backgrounds(image, truth)
    compare_measures(image)
    if options.fields:
        measure_fields(np.random.default_rng(2), options.fields)


if __name__ == "__main__":
    main()
