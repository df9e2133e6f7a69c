"""What the tests of calibration share: pixels from arrays, frames on disk, sets."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from stackbench.calibration.records import CalibrationSet, Master
from stackbench.frames.pixels import PixelFile
from stackbench.frames.records import CameraSetup, Frame, Kind, PixelLayout, Setup


class ArrayRows:
    """Rows of an array in memory."""

    def __init__(self, image: NDArray[np.generic]) -> None:
        self._image = image.astype(np.float32)

    @property
    def shape(self) -> tuple[int, int]:
        return self._image.shape

    def rows(self, start: int, stop: int) -> NDArray[np.float32]:
        return self._image[start:stop].copy()


class BrokenRows(ArrayRows):
    """Rows that cannot be read."""

    def rows(self, start: int, stop: int) -> NDArray[np.float32]:
        raise OSError(f"the file ends before rows {start} to {stop}")


def setup_of(shape: tuple[int, int]) -> Setup:
    return Setup(camera=CameraSetup(camera="Cam", shape=shape), telescope="Tube")


def set_of(
    kind: Kind,
    count: int,
    shape: tuple[int, int],
    *,
    filter: str | None = None,  # noqa: A002 - the record's own word
    exposure_s: float | None = None,
) -> CalibrationSet:
    """Make a set of `count` frames whose files need not exist."""
    setup = setup_of(shape)
    layout = PixelLayout(hdu=0, shape=shape, bitpix=16, data_offset=2880)
    frames = tuple(
        Frame(
            path=Path(f"{kind}_{index}.fits"),
            size_bytes=0,
            modified_ns=0,
            layout=layout,
            kind=kind,
            setup=setup,
        )
        for index in range(count)
    )
    return CalibrationSet(
        kind=kind, setup=setup, frames=frames, filter=filter, exposure_s=exposure_s
    )


def master_of(kind: Kind, data: NDArray[np.generic], **facts: object) -> Master:
    """Make a master by hand."""
    shape = (data.shape[0], data.shape[1])
    values: dict[str, object] = {
        "kind": kind,
        "setup": setup_of(shape),
        "data": data.astype(np.float32),
        "paths": (Path(f"{kind}.fits"),),
        "method": "mean",
        "rejected_pixels": 0,
        "level_adu": 0.0,
    }
    return Master(**(values | facts))


def written(path: Path, image: NDArray[np.generic], **cards: float) -> PixelFile:
    """Write an image as FITS with astropy and say where its pixels lie."""
    hdu = fits.PrimaryHDU(image)
    hdu.header.update(cards)
    hdu.writeto(path)
    with fits.open(path, do_not_scale_image_data=True) as hdus:
        header = hdus[0].header
        layout = PixelLayout(
            hdu=0,
            shape=(image.shape[0], image.shape[1]),
            bitpix=header["BITPIX"],
            bzero=float(header.get("BZERO", 0)),
            bscale=float(header.get("BSCALE", 1)),
            blank=header.get("BLANK"),
            data_offset=hdus[0].fileinfo()["datLoc"],
        )
    return PixelFile(path=path, layout=layout)


def camera_frames(
    truth: NDArray[np.floating], count: int, *, noise: float, rng: np.random.Generator
) -> Sequence[NDArray[np.uint16]]:
    """Draw frames of a camera as whole ADU around a truth with read noise."""
    return [
        np.clip(np.rint(truth + rng.normal(0, noise, truth.shape)), 0, 65535).astype(np.uint16)
        for _ in range(count)
    ]
