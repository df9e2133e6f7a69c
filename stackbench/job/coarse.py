"""Subs calibrated and averaged at once, for pictures of them.

To calibrate every pixel takes two whole frames in float32 for every filter,
more than a window may keep for a night of seven filters. A picture shows
means of blocks, and for these the means of the masters' blocks will do: the
bad pixels are left out singly, and what is lost by multiplying means instead
of single pixels is the product of two deviations of a percent or so.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.apply import Calibrator
from stackbench.export.preview import averaged
from stackbench.frames.pixels import MappedRows, PixelFile

# A band of a large sensor stays in the processor's cache.
_BAND_ROWS = 128


@dataclass(frozen=True, slots=True, kw_only=True)
class CoarseCalibrator:
    """What calibrates averaged blocks of a frame.

    `subtract` and `multiply` hold the means of blocks of `factor` × `factor`
    pixels, float32, or None for nothing. `bad_y` and `bad_x` are the places of
    the bad pixels, by rows.
    """

    factor: int
    subtract: NDArray[np.float32] | None
    multiply: NDArray[np.float32] | None
    bad_y: NDArray[np.int32]
    bad_x: NDArray[np.int32]


def coarse(calibrator: Calibrator, *, factor: int) -> CoarseCalibrator:
    """Average a calibrator over blocks.

    Parameters
    ----------
    calibrator : Calibrator
        For every pixel. Not kept.
    factor : int
        The side of a block, pixels.

    Returns
    -------
    CoarseCalibrator
        A few hundredths of its size.
    """
    subtract, multiply = calibrator.subtract, calibrator.multiply
    undefined = [np.isnan(image) for image in (subtract, multiply) if image is not None]
    none = np.empty(0, dtype=np.int32)
    bad_y, bad_x = np.nonzero(np.logical_or.reduce(undefined)) if undefined else (none, none)
    return CoarseCalibrator(
        factor=factor,
        subtract=None if subtract is None else averaged(subtract, factor=factor),
        multiply=None if multiply is None else averaged(multiply, factor=factor),
        bad_y=bad_y.astype(np.int32),
        bad_x=bad_x.astype(np.int32),
    )


def averaged_sub(pixel_file: PixelFile, calibrator: CoarseCalibrator) -> NDArray[np.float32]:
    """Average a sub over blocks and calibrate it.

    Parameters
    ----------
    pixel_file : PixelFile
        The raw sub.
    calibrator : CoarseCalibrator
        For frames of the sub's shape.

    Returns
    -------
    ndarray, shape (ceil(ny / factor), ceil(nx / factor)), float32
        ADU; NaN where no pixel of a block is defined.

    Raises
    ------
    FrameError
        If the file cannot be read.
    """
    source, factor = MappedRows(pixel_file), calibrator.factor
    ny, nx = source.shape
    small = np.empty((-(-ny // factor), -(-nx // factor)), dtype=np.float32)
    step = max(1, _BAND_ROWS // factor) * factor
    room = np.empty((min(step, ny), nx), dtype=np.float32)
    for start in range(0, ny, step):
        stop = min(start + step, ny)
        band = room[: stop - start]
        source.rows_into(start, stop, out=band)
        here = slice(*np.searchsorted(calibrator.bad_y, (start, stop)))
        band[calibrator.bad_y[here] - start, calibrator.bad_x[here]] = np.nan
        small[start // factor : -(-stop // factor)] = averaged(band, factor=factor)
    if calibrator.subtract is not None:
        small -= calibrator.subtract
    if calibrator.multiply is not None:
        small *= calibrator.multiply
    return small
