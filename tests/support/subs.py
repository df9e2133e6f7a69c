"""Small subs held in memory, for tests of registration and stacking."""

import numpy as np


class ArrayRows:
    """A row source over an array that must not be changed."""

    def __init__(self, pixels):
        self._pixels = np.array(pixels, dtype=np.float32)
        self._pixels.setflags(write=False)

    @property
    def shape(self):
        return self._pixels.shape

    def rows(self, start, stop):
        assert 0 <= start <= stop <= self.shape[0]
        return self._pixels[start:stop].copy()


class ArrayBlocks(ArrayRows):
    """The same, and able to make part of its rows."""

    def block_into(self, y0, y1, x0, x1, *, out):
        assert 0 <= y0 <= y1 <= self.shape[0]
        assert 0 <= x0 <= x1 <= self.shape[1]
        out[...] = self._pixels[y0:y1, x0:x1]


def similarity(*, degrees=0.0, scale=1.0, shift=(0.0, 0.0), centre=(0.0, 0.0), mirror=False):
    """From a sub to the grid: turn about `centre`, maybe mirrored, then move by `shift`."""
    angle = np.deg2rad(degrees)
    cos, sin = scale * np.cos(angle), scale * np.sin(angle)
    linear = np.array([[cos, -sin], [sin, cos]])
    if mirror:
        linear = linear @ np.diag([-1.0, 1.0])
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = np.asarray(centre) - linear @ np.asarray(centre) + np.asarray(shift)
    return matrix


def paint_star(image, x, y, *, fwhm, flux):
    """Add a star with a Gaussian profile, sampled at pixel centres, to an image."""
    sigma = fwhm / (2 * np.sqrt(2 * np.log(2)))
    rows, columns = np.indices(image.shape)
    profile = np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * sigma**2))
    image += flux / (2 * np.pi * sigma**2) * profile
