"""The job put together from ccdproc, photutils and astroalign.

`python -m tests.bench.libraries TIMES_FILE NIGHT OUT`

One straight script, as these libraries' own guides write it, each call with the
options that make it fast: float32 where there is a choice, the compiled way to
clip, `mem_limit` left so high that no file is read twice, one number for the
noise of a light instead of a map, shapes fitted on a few bright stars only, star
positions handed to astroalign so that it need not look for stars again, one
resampling without a second one for the footprint. It does less than the project:
no checksums, verdicts, cosmic-ray or bad-pixel marks (the dithered clip sees to
those), coverage or previews.
"""

import sys
import warnings
from dataclasses import dataclass
from pathlib import Path

import astroalign
import ccdproc
import numpy as np
from astropy import units
from astropy.io import fits
from astropy.nddata import CCDData
from astropy.utils import iers
from astropy.wcs import FITSFixedWarning
from numpy.typing import NDArray
from photutils.background import Background2D, MedianBackground
from photutils.psf import fit_fwhm
from photutils.segmentation import SourceCatalog, detect_sources
from skimage.transform import SimilarityTransform, warp

from tests.bench.stages import StageClock

iers.conf.auto_download = False
# Each frame would be told that it got an MJD-OBS from its DATE-OBS.
warnings.filterwarnings("ignore", category=FITSFixedWarning)

FITTED_STARS = 50
NEARLY_FULL = 45_000
_CLIP = {
    "sigma_clip": True,
    "sigma_clip_low_thresh": 3.0,
    "sigma_clip_high_thresh": 3.0,
    "sigma_clip_func": "median",
    "sigma_clip_dev_func": "mad_std",
    "dtype": np.float32,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sub:
    """One calibrated light and what was measured on it; stars brightest first."""

    data: NDArray[np.float32]
    positions: NDArray[np.float64]
    fluxes: NDArray[np.float64]
    sky: float
    noise: float
    fwhm_px: float
    eccentricity: float


def sort_frames(night: Path) -> dict[tuple[str, str], list[Path]]:
    """Sort the frames of a night by kind and, where it matters, filter."""
    groups: dict[tuple[str, str], list[Path]] = {}
    for path in sorted(night.rglob("*.fits")):
        header = fits.getheader(path)
        kind = header["IMAGETYP"].split()[0].lower()
        name = header["FILTER"] if kind in ("flat", "light") else ""
        groups.setdefault((kind, name), []).append(path)
    return groups


def read(path: Path) -> CCDData:
    """Read one frame as float32."""
    frame = CCDData.read(path, unit="adu")
    frame.data = frame.data.astype(np.float32)
    return frame


def master(paths: list[Path]) -> CCDData:
    """Combine bias or dark frames."""
    return ccdproc.combine([str(path) for path in paths], unit="adu", **_CLIP)


def master_flat(paths: list[Path], bias: CCDData) -> CCDData:
    """Take the bias off each flat, bring them to one level, combine."""
    flats = [ccdproc.subtract_bias(read(path), bias) for path in paths]
    return ccdproc.combine(flats, scale=lambda data: 1 / np.median(data), **_CLIP)


def calibrate(path: Path, dark: CCDData, flat: CCDData) -> NDArray[np.float32]:
    """Subtract the dark of the light's own exposure and divide by the flat."""
    light = ccdproc.subtract_dark(
        read(path), dark, exposure_time="EXPTIME", exposure_unit=units.second
    )
    light = ccdproc.flat_correct(light, flat)
    return np.asarray(light.data, dtype=np.float32)


def measure(data: NDArray[np.float32]) -> Sub:
    """Measure background, stars and their shape."""
    background = Background2D(data, 64, filter_size=3, bkg_estimator=MedianBackground())
    level = data - background.background.astype(np.float32)
    segments = detect_sources(level, 5 * background.background_rms_median, 5)
    catalog = SourceCatalog(level, segments)
    order = np.argsort(catalog.segment_flux)[::-1]
    positions = catalog.centroid[order]
    ny, nx = data.shape
    fit = ((positions > 8) & (positions < (nx - 8, ny - 8))).all(axis=1)
    fit &= catalog.max_value[order] < NEARLY_FULL
    fitted = fit_fwhm(level, xypos=positions[fit][:FITTED_STARS], fwhm=3.0, fit_shape=11)
    return Sub(
        data=data,
        positions=positions,
        fluxes=catalog.segment_flux[order],
        sky=background.background_median,
        noise=background.background_rms_median,
        fwhm_px=float(np.median(fitted)),
        eccentricity=float(np.median(catalog.eccentricity[order].value)),
    )


def flux_ratio(sub: Sub, best: Sub, transform: SimilarityTransform) -> float:
    """Tell how much brighter the same stars are in the best sub."""
    count = min(300, len(sub.positions))
    there = transform(sub.positions[:count])
    apart = np.linalg.norm(there[:, None, :] - best.positions[None, :300, :], axis=2)
    nearest = apart.argmin(axis=1)
    same = apart.min(axis=1) < 2
    return float(np.median(best.fluxes[nearest[same]] / sub.fluxes[:count][same]))


def main() -> None:
    """Do the job and write masters and stacks as FITS."""
    times, night, out = map(Path, sys.argv[1:])
    out.mkdir(parents=True, exist_ok=True)
    clock = StageClock()
    with clock.stage("sort"):
        groups = sort_frames(night)
    filters = [name for kind, name in groups if kind == "light"]

    with clock.stage("masters"):
        bias, dark = master(groups["bias", ""]), master(groups["dark", ""])
        flats = {name: master_flat(groups["flat", name], bias) for name in filters}
        for name, frame in {"bias": bias, "dark": dark, **flats}.items():
            frame.write(out / f"master_{name}.fits", overwrite=True)

    subs: dict[str, list[Sub]] = {name: [] for name in filters}
    for name in filters:
        for path in groups["light", name]:
            with clock.stage("calibrate"):
                data = calibrate(path, dark, flats[name])
            with clock.stage("measure"):
                subs[name].append(measure(data))

    reference = min((sub for group in subs.values() for sub in group), key=lambda s: s.fwhm_px)
    for name, group in subs.items():
        with clock.stage("register"):
            transforms = [
                astroalign.find_transform(sub.positions, reference.positions)[0] for sub in group
            ]
            best_index = int(np.argmin([sub.noise for sub in group]))
            best, to_best = group[best_index], transforms[best_index].inverse
            ratios = [
                flux_ratio(sub, best, transform + to_best)
                for sub, transform in zip(group, transforms, strict=True)
            ]
        with clock.stage("resample"):
            registered = []
            for sub, transform, ratio in zip(group, transforms, ratios, strict=True):
                scaled = (sub.data - np.float32(sub.sky)) * np.float32(ratio)
                placed = warp(
                    scaled, transform.inverse, order=3, cval=np.nan, clip=False, preserve_range=True
                )
                placed += np.float32(best.sky)
                registered.append(CCDData(placed, unit="adu", mask=np.isnan(placed)))
        with clock.stage("combine"):
            weights = [1 / (sub.noise * r) ** 2 for sub, r in zip(group, ratios, strict=True)]
            stack = ccdproc.combine(registered, weights=np.array(weights), **_CLIP)
        with clock.stage("write"):
            stack.write(out / f"stack_{name}.fits", overwrite=True)
        del registered
    clock.write(times)


if __name__ == "__main__":
    main()
