"""Applying masters to a raw frame: (raw − subtract) × multiply, row by row."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.decoding import OpenRows
from stackbench.calibration.records import Master
from stackbench.frames.pixels import MappedRows, PixelFile
from stackbench.frames.room import Room
from stackbench.frames.work import in_threads

# Opening a file takes as long as calibrating eight of its rows.
_BAND_ROWS, _OPENED_ROWS = 64, 512


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrator:
    """What turns a raw frame into a calibrated one.

    Calibrated = (raw − `subtract`) × `multiply`, both (ny, nx) float32 or None
    for nothing; `multiply` is the inverse of the flat and NaN at bad pixels.
    Raw pixels at or above `saturation_adu` are saturated. The arrays may be
    shared by many calibrators: do not change them.
    """

    subtract: NDArray[np.float32] | None = None
    multiply: NDArray[np.float32] | None = None
    saturation_adu: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibratedFrame:
    """A whole calibrated frame.

    `data` is (ny, nx) float32, ADU, NaN where undefined; `saturated` marks the
    pixels that were saturated in the raw frame, None when there are none.
    """

    data: NDArray[np.float32]
    saturated: NDArray[np.bool_] | None = None


class CalibratedRows:
    """Calibrated rows of a raw file; a `RowSource`, safe to share by threads.

    Parameters
    ----------
    pixel_file : PixelFile
        The raw file.
    calibrator : Calibrator
        What to apply.

    Raises
    ------
    ValueError
        If the calibrator is for frames of another shape.
    """

    def __init__(self, pixel_file: PixelFile, calibrator: Calibrator) -> None:
        self._raw = MappedRows(pixel_file)
        self._calibrator = calibrator
        for name, image in (("subtract", calibrator.subtract), ("multiply", calibrator.multiply)):
            if image is not None and image.shape != self._raw.shape:
                raise ValueError(
                    f"{name} has shape {image.shape}, the frame {pixel_file.path} {self._raw.shape}"
                )

    @property
    def shape(self) -> tuple[int, int]:
        """The whole image's (ny, nx).

        Returns
        -------
        tuple of int
            Rows, columns.
        """
        return self._raw.shape

    def rows(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return rows start … stop − 1 as a new array the caller may change.

        Parameters
        ----------
        start, stop : int
            First row and the row after the last, 0 <= start <= stop <= ny.

        Returns
        -------
        ndarray, shape (stop - start, nx), float32
            Calibrated values, ADU; NaN where undefined.
        """
        return self.block(start, stop, 0, self.shape[1])

    def block(self, y0: int, y1: int, x0: int, x1: int) -> NDArray[np.float32]:
        """Return pixels [y0:y1, x0:x1] as a new array the caller may change.

        Parameters
        ----------
        y0, y1, x0, x1 : int
            First row and the row after the last; the same for columns.

        Returns
        -------
        ndarray, shape (y1 - y0, x1 - x0), float32
            Calibrated values, ADU; NaN where undefined.
        """
        out = np.empty((y1 - y0, x1 - x0), dtype=np.float32)
        self.block_into(y0, y1, x0, x1, out=out)
        return out

    def block_into(self, y0: int, y1: int, x0: int, x1: int, *, out: NDArray[np.float32]) -> None:
        """Write pixels [y0:y1, x0:x1] into an array that the caller keeps.

        Parameters
        ----------
        y0, y1, x0, x1 : int
            First row and the row after the last; the same for columns.
        out : ndarray, shape (y1 - y0, x1 - x0), float32
            Receives the calibrated values, ADU; NaN where undefined.
        """
        if out.shape != (y1 - y0, x1 - x0):
            raise ValueError(f"out of shape {out.shape} cannot receive {(y1 - y0, x1 - x0)}")
        self._calibrate(OpenRows(self._raw, y0, y1), y0, y1, out, left=x0)

    def rows_and_saturated(
        self, start: int, stop: int, *, out: NDArray[np.float32], saturated: NDArray[np.bool_]
    ) -> bool:
        """Write rows start … stop − 1 and mark those saturated in the raw frame.

        Parameters
        ----------
        start, stop : int
            First row and the row after the last, 0 <= start <= stop <= ny.
        out : ndarray, shape (stop - start, nx), float32
            Receives the calibrated values, ADU; NaN where undefined.
        saturated : ndarray, shape (stop - start, nx), bool
            Receives True where the raw value is at or above the saturation level.

        Returns
        -------
        bool
            Whether there is such a pixel; none where the level is unknown.
        """
        raw = OpenRows(self._raw, start, stop)
        level = self._calibrator.saturation_adu
        some = False
        # by bands, which are still in the processor's cache when they are marked
        for first in range(start, stop, _BAND_ROWS):
            last = min(first + _BAND_ROWS, stop)
            band = slice(first - start, last - start)
            self._calibrate(raw, first, last, out[band])
            if level is None:
                saturated[band] = False
            else:
                some |= raw.mark_saturated(first, last, level, out=saturated[band])
        return some

    def _calibrate(
        self, raw: OpenRows, start: int, stop: int, out: NDArray[np.float32], *, left: int = 0
    ) -> None:
        subtract, multiply = self._calibrator.subtract, self._calibrator.multiply
        raw.calibrate(start, stop, subtract=subtract, multiply=multiply, left=left, out=out)


def level_under(
    *, bias: Master | None, dark: Master | None, dark_scale: float | None = None
) -> NDArray[np.float32] | None:
    """Return the level that lies under the light of a frame.

    Parameters
    ----------
    bias : Master or None
        Master bias.
    dark : Master or None
        Master dark as taken, with the bias inside.
    dark_scale : float, optional
        Exposure of the frame over that of the dark when they differ; None when
        the dark is subtracted as it is.

    Returns
    -------
    ndarray, shape (ny, nx), float32, or None
        The dark itself; bias + dark_scale × (dark − bias); the bias; or None
        without either. A master's own array may be returned: do not change it.

    Raises
    ------
    ValueError
        If a dark is to be scaled and there is no bias.
    """
    if dark is None:
        return None if bias is None else bias.data
    if dark_scale is None:
        return dark.data
    if bias is None:
        raise ValueError("a dark can only be scaled when there is a bias to take out first")
    level = dark.data - bias.data
    level *= np.float32(dark_scale)
    level += bias.data
    return level


def make_calibrator(
    *,
    bias: Master | None = None,
    dark: Master | None = None,
    dark_scale: float | None = None,
    flat: Master | None = None,
    bad: NDArray[np.bool_] | None = None,
    saturation_adu: float | None = None,
) -> Calibrator:
    """Put masters together into what calibrates a frame.

    Parameters
    ----------
    bias : Master or None
        Master bias.
    dark : Master or None
        Master dark as taken, with the bias inside.
    dark_scale : float, optional
        Exposure of the frame over that of the dark when they differ; None when
        the dark is subtracted as it is.
    flat : Master or None
        Master flat, median 1; where it is not above 0 the result is NaN.
    bad : ndarray, shape (ny, nx), bool, optional
        Bad pixels, which become NaN.
    saturation_adu : float, optional
        Raw value from which a pixel is saturated.

    Returns
    -------
    Calibrator
        Where nothing is known, nothing is applied.
    """
    multiply: NDArray[np.float32] | None = None
    if flat is not None:
        with np.errstate(divide="ignore"):
            multiply = np.float32(1) / flat.data
        multiply[~(flat.data > 0)] = np.nan
    if bad is not None and bad.any():
        if multiply is None:
            multiply = np.ones(bad.shape, dtype=np.float32)
        multiply[bad] = np.nan
    return Calibrator(
        subtract=level_under(bias=bias, dark=dark, dark_scale=dark_scale),
        multiply=multiply,
        saturation_adu=saturation_adu,
    )


def calibrate_frame(
    pixel_file: PixelFile,
    calibrator: Calibrator,
    *,
    jobs: int = 1,
    room: Room | None = None,
) -> CalibratedFrame:
    """Calibrate a whole frame, for measuring it.

    Parameters
    ----------
    pixel_file : PixelFile
        The raw file.
    calibrator : Calibrator
        What to apply.
    jobs : int
        Number of threads.
    room : Room, optional
        Where the frame may lie; good then until this is used again.

    Returns
    -------
    CalibratedFrame
        The frame and its saturated pixels.

    Raises
    ------
    ValueError
        If the calibrator is for frames of another shape.
    FrameError
        If the file cannot be read.
    """
    source = CalibratedRows(pixel_file, calibrator)
    ny, _ = source.shape
    memory = Room() if room is None else room
    data, saturated = memory.lend(source.shape, np.float32), memory.lend(source.shape, np.bool_)

    def _calibrate_part(start: int) -> bool:
        part = slice(start, min(start + _OPENED_ROWS, ny))
        return source.rows_and_saturated(
            part.start, part.stop, out=data[part], saturated=saturated[part]
        )

    parts = in_threads(_calibrate_part, range(0, ny, _OPENED_ROWS), threads=jobs)
    return CalibratedFrame(data=data, saturated=saturated if any(parts) else None)
