"""A real field that astropy carries, against photutils and sep on the same pixels.

`m13.fits` of astropy's tests: a 300 × 300 scan of a photographic survey's
plate, a globular cluster; int16.
"""

from pathlib import Path

import astropy.io.fits
import numpy as np
import pytest
import sep
from photutils.psf import fit_fwhm

from stackbench.stars.quality import measure_frame
from stackbench.stars.records import FrameMeasures
from stackbench.stars.selection import lone


@pytest.fixture(scope="module")
def field() -> np.ndarray:
    folder = Path(astropy.io.fits.__file__).parent
    with astropy.io.fits.open(folder / "hdu/compressed/tests/data/m13.fits") as hdus:
        return np.ascontiguousarray(hdus[0].data, dtype=np.float32)


@pytest.fixture(scope="module")
def measures(field: np.ndarray) -> FrameMeasures:
    return measure_frame(field)


@pytest.fixture(scope="module")
def bright(measures: FrameMeasures) -> np.ndarray:
    stars = measures.stars
    alone = lone(stars.x, stars.y, stars.snr, radius_px=8, share=0.2)
    chosen = np.flatnonzero(alone & np.isfinite(stars.fwhm_px))[:20]
    assert len(chosen) == 20
    return chosen


def test_centres_agree_with_sep(field: np.ndarray, measures: FrameMeasures, bright: np.ndarray):
    flat = field - sep.Background(field).back()
    stars = measures.stars
    x, y, _ = sep.winpos(flat, stars.x[bright], stars.y[bright], measures.fwhm_px / 2.3548)
    away = np.hypot(x - stars.x[bright], y - stars.y[bright])
    assert np.median(away) < 0.03
    # sep's window drifts to a neighbour now and then; a plain shift would show in all.
    assert np.quantile(away, 0.9) < 0.1


def test_widths_agree_with_photutils(
    field: np.ndarray, measures: FrameMeasures, bright: np.ndarray
):
    # photutils fits a round Gaussian; the plate's stars have Gaussian profiles.
    flat = (field - sep.Background(field).back()).astype(float)
    stars = measures.stars
    places = list(zip(stars.x[bright], stars.y[bright], strict=True))
    widths = fit_fwhm(flat, xypos=places, fit_shape=(9, 9))
    assert np.median(stars.fwhm_px[bright]) == pytest.approx(np.median(widths), rel=0.05)


def test_sep_finds_the_bright_stars_too(field: np.ndarray, measures: FrameMeasures):
    background = sep.Background(field)
    found = sep.extract(field - background.back(), 5, err=background.globalrms, deblend_cont=1e-4)
    stars = measures.stars
    away = np.hypot(stars.x[:40, None] - found["x"], stars.y[:40, None] - found["y"]).min(axis=1)
    assert (away < 3).mean() > 0.9
    assert measures.sky_adu == pytest.approx(background.globalback, abs=background.globalrms)
