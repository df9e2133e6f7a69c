"""Many frames into one image."""

import ccdproc
import numpy as np
import pytest
from astropy.nddata import CCDData

from stackbench.calibration.combine import combine_rows
from stackbench.frames.pixels import MappedRows
from stackbench.frames.work import Cancelled
from stackbench.rejection.methods import Method, Rejection
from tests.support.calibration import ArrayRows, camera_frames, written

SHAPE = (61, 73)


def _frames(depth, seed=50):
    rng = np.random.default_rng(seed)
    truth = 1000 + rng.normal(0, 20, SHAPE)
    return camera_frames(truth, depth, noise=8, rng=rng)


def test_average_is_that_of_ccdproc():
    images = _frames(12)
    theirs = ccdproc.combine([CCDData(image, unit="adu") for image in images], method="average")
    ours = combine_rows(
        [ArrayRows(image) for image in images], rejection=Rejection(method=Method.NONE)
    )
    np.testing.assert_allclose(ours.data, theirs.data, rtol=1e-7)
    assert ours.mean_kept == 12
    assert ours.rejected_pixels == 0


def test_median_is_that_of_ccdproc():
    images = _frames(9)
    theirs = ccdproc.combine([CCDData(image, unit="adu") for image in images], method="median")
    ours = combine_rows(
        [ArrayRows(image) for image in images], rejection=Rejection(method=Method.MEDIAN)
    )
    np.testing.assert_array_equal(ours.data, theirs.data)


def test_scaled_average_is_that_of_ccdproc():
    rng = np.random.default_rng(51)
    level = rng.normal(500, 5, SHAPE).astype(np.float32)
    images = [level + rng.poisson(20000 * share, SHAPE) for share in (0.5, 1, 1.5, 2)]
    factors = [1 / np.median(image - level) for image in images]
    weights = [0.5, 1, 1.5, 2]
    theirs = ccdproc.combine(
        [CCDData(image - level, unit="adu") for image in images],
        method="average",
        scale=factors,
        weights=np.broadcast_to(np.reshape(weights, (4, 1, 1)), (4, *SHAPE)),
    )
    ours = combine_rows(
        [ArrayRows(image) for image in images],
        rejection=Rejection(method=Method.NONE),
        factors=factors,
        subtract=[level] * 4,
        weights=weights,
    )
    np.testing.assert_allclose(ours.data, theirs.data, rtol=1e-6)


def test_outliers_are_rejected_and_counted():
    images = _frames(15)
    clean = np.mean(images, axis=0)
    images[3] = images[3].copy()
    images[3][10, 20] = 60000
    images[7] = images[7].copy()
    images[7][11, 21] = 0
    ours = combine_rows(
        [ArrayRows(image) for image in images],
        rejection=Rejection(method=Method.SIGMA_CLIP, low=6, high=6),
    )
    assert ours.rejected_high >= 1
    assert ours.rejected_low >= 1
    assert ours.rejected_pixels == ours.rejected_low + ours.rejected_high < 10
    # Without the outlier the mean of 14 values, noise 8/√14 = 2.1 ADU.
    assert ours.data[10, 20] == pytest.approx(clean[12, 20], abs=100)
    assert abs(ours.data[10, 20] - np.mean([image[10, 20] for image in images])) > 3000


def test_bands_and_threads_change_nothing(tmp_path):
    sources = [
        MappedRows(written(tmp_path / f"{index}.fits", image))
        for index, image in enumerate(_frames(7))
    ]
    rejection = Rejection(method=Method.AUTO)
    whole = combine_rows(sources, rejection=rejection, band_rows=SHAPE[0])
    ticks = []
    parts = combine_rows(
        sources, rejection=rejection, band_rows=5, jobs=3, tick=lambda: ticks.append(1)
    )
    np.testing.assert_array_equal(parts.data, whole.data)
    assert parts.rejected_pixels == whole.rejected_pixels
    assert parts.mean_kept == pytest.approx(whole.mean_kept)
    assert len(ticks) == 13


def test_mixed_bitpix(tmp_path):
    images = _frames(5)
    kinds = (np.uint16, np.int32, np.float32, np.float64, np.int16)
    sources = [
        MappedRows(written(tmp_path / f"{index}.fits", image.astype(kind)))
        for index, (image, kind) in enumerate(zip(images, kinds, strict=True))
    ]
    rejection = Rejection(method=Method.NONE)
    ours = combine_rows(sources, rejection=rejection)
    same = combine_rows([ArrayRows(image) for image in images], rejection=rejection)
    np.testing.assert_array_equal(ours.data, same.data)


def test_undefined_pixels():
    images = [image.astype(np.float32) for image in _frames(6)]
    images[0][1, 1] = np.nan
    for image in images:
        image[2, 2] = np.nan
    ours = combine_rows(
        [ArrayRows(image) for image in images], rejection=Rejection(method=Method.NONE)
    )
    assert np.isnan(ours.data[2, 2])
    assert ours.data[1, 1] == pytest.approx(np.nanmean([image[1, 1] for image in images]))
    assert np.isnan(ours.data).sum() == 1


def test_stop_and_wrong_shapes():
    sources = [ArrayRows(image) for image in _frames(4)]
    rejection = Rejection(method=Method.NONE)
    asked = []

    def stop() -> bool:
        asked.append(1)
        return len(asked) > 2

    with pytest.raises(Cancelled):
        combine_rows(sources, rejection=rejection, band_rows=4, jobs=2, stop=stop)
    with pytest.raises(ValueError, match="one shape"):
        combine_rows([*sources, ArrayRows(np.zeros((3, 3)))], rejection=rejection)
    with pytest.raises(ValueError, match="one shape"):
        combine_rows([], rejection=rejection)
