"""Going through the work on pixels once with small made-up ones, to have it compiled.

`python -m stackbench.job.practising PART …` is a helper of `compiling`; it writes the name
of every part that is done.
"""

import gc
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from filelock import FileLock, Timeout
from numpy.typing import NDArray

from stackbench.frames.compiled import FOLDER

if TYPE_CHECKING:
    from stackbench.registration.placement import Placement, Rectangle

_SIDE = 256
_SKY_ADU, _NOISE_ADU, _PEAK_ADU = 500.0, 10.0, 3000.0
_STAR_SIGMA_PX = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """An array as rows on demand."""

    pixels: NDArray[np.float32]

    @property
    def shape(self) -> tuple[int, int]:
        ny, nx = self.pixels.shape
        return ny, nx

    def rows(self, start: int, stop: int) -> NDArray[np.float32]:
        return self.pixels[start:stop].copy()


def practise(part: str, *, patient: bool = True) -> bool:
    """Do a part of the work, for the machine code that this leaves on disk.

    Parameters
    ----------
    part : str
        One of those of `compiling`.
    patient : bool
        Whether to wait while another process is at this part; what that
        compiles need not be compiled again.

    Returns
    -------
    bool
        False if another process is at it, and was not waited for.
    """
    work = {
        "stars": _measure,
        "resampling": _resample,
        "gaps": _fill_gaps,
        "turns": _turn,
        "noise": _follow_noise,
        "channels": _make_channel,
        "rejection": _reject,
    }
    FOLDER.mkdir(parents=True, exist_ok=True)
    try:
        with FileLock(FOLDER / f"{part}.lock", blocking=patient):
            work[part]()
    except Timeout:
        return False
    return True


def _field() -> NDArray[np.float32]:
    """Paint stars 24 pixels apart on a noisy sky."""
    rng = np.random.default_rng(1)
    y, x = np.indices((_SIDE, _SIDE))
    apart = 24
    dy, dx = (y + apart // 2) % apart - apart // 2 + 0.3, (x + apart // 2) % apart - apart // 2
    stars = np.exp(-(dy**2 + dx**2) / (2 * _STAR_SIGMA_PX**2))
    brightness = _PEAK_ADU * (1 + (x // apart + y // apart) % 5)
    noise = rng.normal(0.0, _NOISE_ADU, stars.shape)
    field: NDArray[np.float32] = (_SKY_ADU + brightness * stars + noise).astype(np.float32)
    return field


def _measure() -> None:
    from stackbench.calibration.saturation import top_values
    from stackbench.calibration.surroundings import outside
    from stackbench.stars.quality import measure_frame

    field = _field()
    top_values(_Rows(pixels=field))
    limits = np.full((4, 4), _SKY_ADU)
    outside(field, floor=limits, ceiling=limits)
    measure_frame(field, saturated=field > 5 * _PEAK_ADU)


def _resample() -> None:
    for degrees in (0.1, 90.0):  # two passes, and transposed
        _interpolate(degrees)


def _turn() -> None:
    _interpolate(10.0)  # by the square kernel


def _interpolate(degrees: float) -> None:
    from stackbench.registration.resampling import interpolate

    field, levels = _field(), np.ones(4, dtype=np.float32)
    interpolate(field, _whole(), _turned(degrees), _whole(), levels, np.empty_like(field))


def _fill_gaps() -> None:
    from stackbench.frames.room import Room
    from stackbench.registration.gaps import fill_gaps, void_gaps

    field = _field()
    field[_SIDE // 2, _SIDE // 2] = np.nan
    gaps = fill_gaps(field)
    void_gaps(_whole(), *gaps, _turned(0.1), _whole(), Room(), np.empty_like(field))


def _whole() -> "Rectangle":
    from stackbench.registration.placement import Rectangle

    return Rectangle(y0=0, y1=_SIDE, x0=0, x1=_SIDE)


def _turned(degrees: float) -> "Placement":
    from stackbench.registration.placement import place

    turn = np.deg2rad(degrees)
    matrix = np.array(
        [[np.cos(turn), -np.sin(turn), 3.3], [np.sin(turn), np.cos(turn), 4.4], [0, 0, 1]]
    )
    return place(matrix, (_SIDE, _SIDE))


def _follow_noise() -> None:
    from stackbench.stacking.propagation import make_sums, noise_of_mean

    cube = np.ones((2, _SIDE), dtype=np.float32)
    each, counts = np.ones(2, dtype=np.float32), np.ones(_SIDE, dtype=np.uint16)
    complete = np.array([True, False])
    out = np.empty_like(cube[0])
    noise_of_mean(cube, complete, each, each, counts, counts, counts, make_sums(), out)


def _make_channel() -> None:
    from stackbench.export.crop import common_crop
    from stackbench.export.preview import averaged

    averaged(_field(), factor=2)
    common_crop([np.ones((_SIDE, _SIDE), dtype=np.uint16)])


def _reject() -> None:
    from stackbench.rejection.depth import combine_depth
    from stackbench.rejection.methods import Rejection, choose

    cube = np.random.default_rng(2).normal(_SKY_ADU, _NOISE_ADU, (8, 4096)).astype(np.float32)
    rejection = choose(Rejection(), len(cube)).rejection
    combine_depth(cube, rejection=rejection, noise=np.full(len(cube), _NOISE_ADU))


if __name__ == "__main__":
    gc.set_threshold(50_000)  # the compiler's objects are many and stay: saves 5 %
    for part in sys.argv[1:]:
        practise(part)
        sys.stdout.write(f"{part}\n")
        sys.stdout.flush()
