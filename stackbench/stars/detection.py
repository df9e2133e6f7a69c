"""Find what may be a star: peaks of the frame, smoothed to the scale of its stars.

All stars of one frame have about the same size, so one of its levels (`levels`)
serves the whole frame; a defocused frame, whose stars are rings, is thus not
taken for a frame full of fragments.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled
from stackbench.frames.instructions import lower, upper
from stackbench.stars.background import background_at
from stackbench.stars.levels import binned_once_more, coarser_snr, first_level, maxima
from stackbench.stars.moments import windowed_moments
from stackbench.stars.profile import FWHM_PER_SIGMA
from stackbench.stars.records import BackgroundMesh, Floats
from stackbench.stars.trails import on_trails

Pixels = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

LEVELS = 4
# FWHM of the star that level 1 suits best; twice that at each level more.
LEVEL_FWHM_PX = 3.5
# The width of the narrowest profile that an optical system leaves on pixels.
LEAST_FWHM_PX = 1.25
_SURVEYED, _ANCHORS = 600, 50
_LEAST_ANCHORS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Peaks:
    """Peaks that may be stars; float64 arrays of equal length, by falling S/N.

    `x`, `y` are pixel coordinates; `snr` that of the matched filter; `peak`
    the brightest pixel above the sky, ADU, with its place `peak_x`, `peak_y`;
    `flatness` says how little the profile falls from there to the next pixels
    in the direction where it falls most: 0 for a hot pixel or a track, 1 for a
    plateau, NaN when too many pixels next to it are undefined. `sky` and `noise` are
    the background's there, ADU. `level` is the frame's level.
    """

    x: Floats
    y: Floats
    snr: Floats
    peak: Floats
    peak_x: Floats
    peak_y: Floats
    flatness: Floats
    sky: Floats
    noise: Floats
    level: int

    def __len__(self) -> int:
        return len(self.x)

    def select(self, chosen: npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> "Peaks":
        """Return the chosen peaks.

        Parameters
        ----------
        chosen : ndarray
            Mask, or indices in the wanted order.

        Returns
        -------
        Peaks
            Those peaks.
        """
        return Peaks(
            x=self.x[chosen],
            y=self.y[chosen],
            snr=self.snr[chosen],
            peak=self.peak[chosen],
            peak_x=self.peak_x[chosen],
            peak_y=self.peak_y[chosen],
            flatness=self.flatness[chosen],
            sky=self.sky[chosen],
            noise=self.noise[chosen],
            level=self.level,
        )


def find_peaks(
    image: Pixels, mesh: BackgroundMesh, *, saturated: Mask | None = None, least_snr: float = 6.0
) -> Peaks:
    """Find the peaks of a frame that may be stars.

    Hot pixels and cosmic-ray hits, which are sharper than any star, peaks among
    undefined pixels, peaks that touch a saturated pixel and the pieces of
    straight trails are left out.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, C-contiguous
        Pixels, ADU; NaN counts as sky. Not modified.
    mesh : BackgroundMesh
        Its background.
    saturated : ndarray, shape (ny, nx), bool, optional
        True where a pixel is saturated.
    least_snr : float
        Least signal-to-noise ratio of a peak in the smoothed frame.

    Returns
    -------
    Peaks
        By falling S/N.
    """
    binned = first_level(image, mesh)
    found: list[Peaks] = []
    for level in range(1, LEVELS + 1):
        peaks = _described(maxima(binned, level, least_snr), level, image, mesh)
        peaks = peaks.select(_possible(peaks, saturated))
        peaks = peaks.select(~_on_trails(image, peaks))
        found.append(peaks)
        anchors = peaks.select(np.arange(len(peaks)) < _ANCHORS)
        if len(anchors) >= _LEAST_ANCHORS:
            if level == LEVELS:
                return peaks
            coarser = coarser_snr(binned, anchors.x, anchors.y, level + 1)
            if np.median(coarser / anchors.snr) <= 1.0:
                return peaks
        binned = binned_once_more(binned)
    return found[0]


def sharpest_flatness(fwhm_px: float) -> float:
    """Return the least flatness that a star's peak can have.

    Parameters
    ----------
    fwhm_px : float
        FWHM of the star's minor axis, pixels.

    Returns
    -------
    float
        Value one pixel from the centre of a Gaussian, relative to the centre;
        a star that is not centred on a pixel is flatter.
    """
    return float(np.exp(-4 * np.log(2) / fwhm_px**2))


def _on_trails(image: Pixels, peaks: Peaks) -> Mask:
    """Say which peaks are pieces of a satellite's trail."""
    head = peaks.select(np.arange(len(peaks)) < _SURVEYED)
    fwhm = LEVEL_FWHM_PX * 2.0 ** (peaks.level - 1)
    moments = windowed_moments(
        image,
        head.x,
        head.y,
        head.noise,
        window_px=1.5 * fwhm / FWHM_PER_SIGMA,
        ring_px=max(3 * fwhm, 5.0),
    )
    rest = peaks.x[_SURVEYED:] + 1j * peaks.y[_SURVEYED:]
    return np.concatenate(on_trails(moments, rest))


def _possible(peaks: Peaks, saturated: Mask | None) -> Mask:
    """Say which peaks are neither too sharp, nor undefined, nor saturated."""
    possible = np.isfinite(peaks.flatness)
    allowed = sharpest_flatness(LEAST_FWHM_PX) - 3 * peaks.noise / peaks.peak
    possible &= peaks.flatness > allowed
    if saturated is not None and saturated.size:
        ny, nx = saturated.shape
        reach = 2**peaks.level
        for dy in range(-reach, reach + 1):
            for dx in range(-reach, reach + 1):
                row = np.clip(peaks.peak_y.astype(np.intp) + dy, 0, ny - 1)
                column = np.clip(peaks.peak_x.astype(np.intp) + dx, 0, nx - 1)
                possible &= ~saturated[row, column]
    return possible


def _described(
    maxima: tuple[Floats, Floats, Floats], level: int, image: Pixels, mesh: BackgroundMesh
) -> Peaks:
    """Look each maximum up in the frame itself."""
    x, y, snr = maxima
    sky, noise = background_at(mesh, x, y)
    details = np.full((4, len(x)), np.nan)
    _describe(image, x, y, sky, 2**level, details)
    return Peaks(
        x=x,
        y=y,
        snr=snr,
        peak=details[0],
        peak_x=details[1],
        peak_y=details[2],
        flatness=details[3],
        sky=sky,
        noise=noise,
        level=level,
    )


@compiled
def _describe(
    image: Pixels, x: Floats, y: Floats, sky: Floats, reach: int, details: Floats
) -> None:
    """Brightest pixel within `reach` of each place, and how flat the profile is there."""
    ny, nx = image.shape
    for k in range(x.size):
        x0, y0 = np.int64(x[k] + 0.5), np.int64(y[k] + 0.5)
        best, bx, by = -np.inf, -1, -1
        for j in range(upper(1, y0 - reach), lower(ny - 1, y0 + reach + 1)):
            for i in range(upper(1, x0 - reach), lower(nx - 1, x0 + reach + 1)):
                if image[j, i] > best:
                    best, bx, by = float(image[j, i]), i, j
        if bx < 0 or best <= sky[k]:
            continue
        top = 2.0 * (best - sky[k])
        least = np.inf
        defined = 0
        for dx, dy in ((1, 0), (0, 1), (1, 1), (1, -1)):
            sides = image[by + dy, bx + dx] + image[by - dy, bx - dx] - 2.0 * sky[k]
            if not np.isfinite(sides):
                continue
            defined += 1
            ratio = upper(sides / top, 0.0)
            # At √2 px a Gaussian has fallen to the square of its value at 1 px.
            least = lower(least, np.sqrt(ratio) if dx * dy != 0 else ratio)
        details[0, k], details[1, k], details[2, k] = best - sky[k], bx, by
        details[3, k] = least if defined >= 2 else np.nan
