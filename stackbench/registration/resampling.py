"""One sub brought onto the grid: Lanczos-3, with bad pixels and ringing kept out.

The matrix is split into a turn by a multiple of 90° or a mirroring, which is
exact and done while rows are copied, and the small turn, shift and scale that
remain. What remains is resampled along rows and then along columns; where it
is more than a few degrees, with 6×6 taps for every pixel instead.

Bad pixels are filled from their neighbours. A result is NaN when bad pixels,
or pixels beyond the sub's edge, carry too large a sum of |weight| (`gaps`).

On ringing: beside a hot pixel or a cosmic ray the kernel's negative lobes dig a hole as
deep as a seventh of it. A star does not do that: of all stars with a FWHM of
2 px or more, the interpolated value is never lower than the lowest of the
four nearest pixels by more than 2.3 % of those four pixels' range. So a value
may be lower than they are by `RINGING_SHARE` of their range and, for the sake
of the sky's noise, by `RINGING_SIGMAS` times the sub's noise, and not by more.
Stars that are sampled well enough to be measured are not touched at all.
"""

from typing import Protocol, cast

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.room import Room
from stackbench.frames.rows import RowSource
from stackbench.registration.gaps import fill_gaps, void_gaps
from stackbench.registration.lanczos import phase_table
from stackbench.registration.placement import Placement, Rectangle, source_window

RINGING_SHARE = 0.025
"""Undershoot left alone, as a share of the nearest pixels' range."""

RINGING_SIGMAS = 3.0
"""Undershoot left alone besides, in units of the sub's background noise."""


class IntoSource(Protocol):
    """A row source that writes part of its rows into memory of the caller."""

    @property
    def shape(self) -> tuple[int, int]:
        """The whole image's (ny, nx)."""

    def block_into(self, y0: int, y1: int, x0: int, x1: int, *, out: NDArray[np.float32]) -> None:
        """Write pixels [y0:y1, x0:x1] into an array.

        Parameters
        ----------
        y0, y1, x0, x1 : int
            First row and the row after the last; the same for columns.
        out : ndarray, shape (y1 - y0, x1 - x0), float32
            Receives physical values, ADU; NaN where undefined.
        """


def read_window(source: RowSource, window: Rectangle, room: Room) -> NDArray[np.float32]:
    """Read part of a sub.

    Parameters
    ----------
    source : RowSource
        The sub; if it is an `IntoSource` too, only the wanted columns are made,
        and no fresh memory is needed.
    window : Rectangle
        Which part.
    room : Room
        Where the pixels may go.

    Returns
    -------
    ndarray, shape window.shape, float32, C-contiguous
        Pixels, the caller's own until `room` is used again.
    """
    # Asked for by name: checking against a protocol takes as long as reading.
    if hasattr(source, "block_into"):
        pixels = room.lend(window.shape, np.float32)
        y0, y1, x0, x1 = window.y0, window.y1, window.x0, window.x1
        cast(IntoSource, source).block_into(y0, y1, x0, x1, out=pixels)
        return pixels
    whole = source.rows(window.y0, window.y1)
    return np.ascontiguousarray(whole[:, window.x0 : window.x1], dtype=np.float32)


def resample(
    source: RowSource,
    placement: Placement,
    area: Rectangle,
    *,
    noise_adu: float = 0.0,
    scale: float = 1.0,
    offset: float = 0.0,
    into: NDArray[np.float32] | None = None,
    room: Room | None = None,
) -> tuple[NDArray[np.float32], bool]:
    """Bring the part of a sub that lies in a rectangle of the grid onto it.

    The bits of a result do not depend on the rectangle in which it is made,
    if rectangles start at a column that is a multiple of 1024, and end at one or at
    the grid's edge.

    Parameters
    ----------
    source : RowSource
        The sub, calibrated, NaN where bad.
    placement : Placement
        From `place`.
    area : Rectangle
        Part of the grid.
    noise_adu : float
        σ of the sub's background, ADU, so that noise is not taken for ringing.
    scale, offset : float
        The result is scale × sub + offset.
    into : ndarray, shape area.shape, float32, C-contiguous, optional
        Where the result goes; made anew if None.
    room : Room, optional
        Memory to use again, which saves time in repeated calls.

    Returns
    -------
    pixels : ndarray, shape area.shape, float32
        NaN outside the sub and where missing pixels matter too much.
    complete : bool
        True if it is known that no result is NaN.
    """
    out = np.empty(area.shape, dtype=np.float32) if into is None else into
    window = source_window(placement, area)
    if window is None:
        out[...] = np.nan
        return out, False
    memory = Room() if room is None else room
    block = read_window(source, window, memory)
    bad, counts = fill_gaps(block)
    slack = RINGING_SIGMAS * noise_adu * abs(scale)
    levels = np.array([slack, RINGING_SHARE, scale, offset], dtype=np.float32)
    interpolate(block, window, placement, area, levels, out)
    lost = void_gaps(window, bad, counts, placement, area, memory, out)
    return out, lost == 0 and len(bad) == 0


def interpolate(
    block: NDArray[np.float32],
    window: Rectangle,
    placement: Placement,
    area: Rectangle,
    levels: NDArray[np.float32],
    out: NDArray[np.float32],
) -> None:
    """Interpolate a sub that misses no pixel, by the kernel that its placement asks for.

    Parameters
    ----------
    block : ndarray, shape window.shape, float32, C-contiguous
        Pixels of the sub, ADU, all finite.
    window : Rectangle
        Which of the sub's they are.
    placement : Placement
        From `place`.
    area : Rectangle
        Part of the grid.
    levels : ndarray, shape (4,), float32
        Undershoot left alone, ADU and as a share of the nearest pixels' range;
        scale and offset of the result.
    out : ndarray, shape area.shape, float32, C-contiguous
        Receives the result, also where it is extrapolated.
    """
    from stackbench.registration.resampling_passes import make_room, transpose, two_passes
    from stackbench.registration.resampling_square import padding_room, square_taps

    weights = phase_table()
    if placement.strips_x is None or placement.strips_y is None:
        padded = padding_room(block)
        square_taps(block, window.y0, window.x0, placement.inverse, area.y0, area.x0,
            out, weights, levels, padded,
        )  # fmt: skip
        return
    row0, column0, shape = window.y0, window.x0, placement.shape
    if placement.transposed:
        turned = np.empty(block.shape[::-1], np.float32)
        transpose(block, turned)
        block = turned
        row0, column0, shape = column0, row0, (shape[1], shape[0])
    two_passes(
        block, row0, column0, shape, placement.flips, placement.inverse, area.y0, area.x0,
        out, weights, placement.strips_x, placement.strips_y, levels, make_room(placement.inverse),
    )  # fmt: skip
