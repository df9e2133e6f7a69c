"""Pictures to look at: subs, stacks and channels, small enough to draw at once."""

import threading
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.records import Frame
from stackbench.job.bench import Bench
from stackbench.job.pixels import PixelDesk

if TYPE_CHECKING:
    from stackbench.calibration.apply import CalibratedRows, Calibrator
    from stackbench.export.levels import Scale
    from stackbench.job.coarse import CoarseCalibrator
    from stackbench.job.judging import JudgedSub
    from stackbench.job.run import MeasuredNight
    from stackbench.stars.zones import Zones

WIDEST = 2048
_LEVELS = 1 << 16
# as many as servings at most; each is some 16 MB for a large sensor
_MOST_COARSE = 16
_THUMB = 96


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture ready to be drawn.

    `grey` is (ny, nx) uint8, row 0 being row 0 of the image; a pixel of it
    stands for `factor` × `factor` of the image's, whose (ny, nx) is `shape`.
    `scale` is what was made black and white. A sub's picture comes with a
    `thumb` of the same stretch, and with the `zones` of its stars where these
    are measured.
    """

    grey: NDArray[np.uint8]
    factor: int
    shape: tuple[int, int]
    scale: "Scale"
    thumb: NDArray[np.uint8] | None = None
    zones: "Zones | None" = None


class PictureDesk:
    """Makes pictures; safe to share by threads.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    desk : PixelDesk
        Gives the frames' pixels.
    """

    def __init__(self, bench: Bench, desk: PixelDesk) -> None:
        self._bench = bench
        self._desk = desk
        self._making = threading.Lock()
        self._night: MeasuredNight | None = None
        self._coarse_ones: dict[str, CoarseCalibrator] = {}

    def use(self, night: "MeasuredNight") -> None:
        """Calibrate subs from now on by the masters of a night.

        Parameters
        ----------
        night : MeasuredNight
            The night, its masters made.
        """
        self._night = night

    def sub(
        self,
        frame: Frame,
        *,
        judged: "JudgedSub | None" = None,
        scale: "Scale | None" = None,
        widest: int = WIDEST,
    ) -> Picture:
        """Picture a sub, calibrated if the masters are made.

        Parameters
        ----------
        frame : Frame
            The sub.
        judged : JudgedSub, optional
            What is known of it; its zones are those of the grid where it is placed.
        scale : Scale, optional
            What to make black and white; chosen by the picture if None.
        widest : int
            The picture's longer side at most, pixels.

        Returns
        -------
        Picture
            Blocks of pixels averaged.

        Raises
        ------
        FrameError
            If the file cannot be read.
        """
        from stackbench.job.coarse import averaged_sub

        pixels = self._desk.pixels(frame)
        factor = _factor(pixels.layout.shape, widest)
        small = averaged_sub(pixels, self._coarse(frame, factor))
        picture = _picture(small, factor, pixels.layout.shape, scale)
        return replace(picture, thumb=_thumb(picture.grey), zones=_zones(judged, picture.shape))

    def detail(
        self, frame: Frame, *, rows: tuple[int, int], columns: tuple[int, int], scale: "Scale"
    ) -> Picture:
        """Picture a part of a sub, every pixel of it.

        Parameters
        ----------
        frame : Frame
            The sub.
        rows, columns : tuple of int
            First and the one after the last.
        scale : Scale
            What to make black and white.

        Returns
        -------
        Picture
            `shape` is that of the part.

        Raises
        ------
        FrameError
            If the file cannot be read.
        """
        block = self._source(frame).block(*rows, *columns)
        return _picture(block, 1, block.shape, scale)

    def _source(self, frame: Frame) -> "CalibratedRows":
        from stackbench.calibration.apply import CalibratedRows

        pixels = self._desk.pixels(frame)
        with self._making:
            return CalibratedRows(pixels, self._calibrator(frame, self._night))

    def _coarse(self, frame: Frame, factor: int) -> "CoarseCalibrator":
        from stackbench.calibration.apply import Calibrator
        from stackbench.job.coarse import coarse

        night = self._night
        if night is None:
            return coarse(Calibrator(), factor=factor)
        serving = night.looked.overview.plan.servings[frame.path]
        key = f"{night.shelf.serving_key(serving)} {frame.setup.camera} {factor}"
        found = self._coarse_ones.get(key)  # whoever finds theirs does not wait for others
        if found is None:
            with self._making:
                found = self._coarse_ones.get(key)
                if found is None:
                    if len(self._coarse_ones) >= _MOST_COARSE:
                        self._coarse_ones.pop(next(iter(self._coarse_ones)))
                    found = coarse(self._calibrator(frame, night), factor=factor)
                    self._coarse_ones[key] = found
        return found

    def _calibrator(self, frame: Frame, night: "MeasuredNight | None") -> "Calibrator":
        """Give what calibrates every pixel; to be asked by one thread at a time."""
        from stackbench.calibration.apply import Calibrator
        from stackbench.job.calibrators import CalibratorDesk

        if night is None:
            return Calibrator()
        desk = CalibratorDesk(night.workshop(self._bench, self._desk))
        serving = night.looked.overview.plan.servings[frame.path]
        return desk.calibrator(serving, frame.setup.camera)


def product_picture(
    path: Path, *, extension: str = "", scale: "Scale | None" = None, widest: int = WIDEST
) -> Picture:
    """Picture a layer of a master, stack or channel.

    Parameters
    ----------
    path : Path
        A product of the job.
    extension : str
        The layer: empty for the image itself, else the extension's name.
    scale : Scale, optional
        What to make black and white; chosen by the picture if None: a
        stretch for an image, from the least to the most for another layer.
    widest : int
        The picture's longer side at most, pixels.

    Returns
    -------
    Picture
        Blocks of pixels averaged.

    Raises
    ------
    ProductError
        If the file is not whole, or no product.
    OSError
        If it cannot be read.
    """
    from stackbench.export.fits import read_image
    from stackbench.export.levels import Scale
    from stackbench.export.preview import averaged

    image = read_image(path, extension=extension, verify=False).image
    shape = _shape(image)
    factor = _factor(shape, widest)
    small = averaged(image.astype(np.float32, copy=False), factor=factor)
    if scale is None and extension:
        defined = small[np.isfinite(small)]
        low, high = (float(defined.min()), float(defined.max())) if defined.size else (0.0, 1.0)
        scale = Scale(black=low, white=high if high > low else low + 1.0)
    return _picture(small, factor, shape, scale)


def product_detail(
    path: Path,
    *,
    rows: tuple[int, int],
    columns: tuple[int, int],
    scale: "Scale",
    extension: str = "",
) -> Picture:
    """Picture a part of a layer of a product, every pixel of it.

    Parameters
    ----------
    path : Path
        A product of the job.
    rows, columns : tuple of int
        First and the one after the last.
    scale : Scale
        What to make black and white.
    extension : str
        The layer: empty for the image itself, else the extension's name.

    Returns
    -------
    Picture
        `shape` is that of the part.

    Raises
    ------
    ProductError
        If the file is not whole, or no product.
    OSError
        If it cannot be read.
    """
    from stackbench.export.blocks import read_part

    part = read_part(path, rows=rows, columns=columns, name=extension)
    block = part.astype(np.float32, copy=False)
    return _picture(block, 1, block.shape, scale)


def _factor(shape: tuple[int, int], widest: int) -> int:
    return -(-max(shape) // widest) or 1


def _thumb(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    from stackbench.export.preview import averaged

    small = averaged(grey.astype(np.float32), factor=_factor(_shape(grey), _THUMB))
    return small.astype(np.uint8)


def _zones(judged: "JudgedSub | None", shape: tuple[int, int]) -> "Zones | None":
    from stackbench.stars.zones import zones_of

    if judged is None or judged.sub is None:
        return None
    matrix = judged.placement.matrix if judged.placement is not None else None
    return zones_of(judged.sub.measures.stars, shape=shape, matrix=matrix)


def _shape(image: NDArray[Any]) -> tuple[int, int]:
    return image.shape[0], image.shape[1]


def _picture(
    small: NDArray[np.float32], factor: int, shape: tuple[int, int], scale: "Scale | None"
) -> Picture:
    from stackbench.export.levels import picture_scale

    scale = scale or picture_scale(small)
    place = small - np.float32(scale.black)
    place *= np.float32((_LEVELS - 1) / (scale.white - scale.black))
    # fmax and fmin pass over NaN, which so becomes black
    np.fmin(np.fmax(place, 0.0, out=place), np.float32(_LEVELS - 1), out=place)
    grey = _table(scale)[place.astype(np.uint16)]
    return Picture(grey=grey, factor=factor, shape=shape, scale=scale)


@lru_cache(maxsize=16)  # all subs of a filter share one
def _table(scale: "Scale") -> NDArray[np.uint8]:
    """Work the stretch out for far fewer levels than there are pixels."""
    from stackbench.export.levels import shown

    ramp = np.linspace(scale.black, scale.white, _LEVELS, dtype=np.float32)
    table: NDArray[np.uint8] = (
        shown(ramp[None], scale)[0] * np.float32(255.0) + np.float32(0.5)
    ).astype(np.uint8)
    return table
