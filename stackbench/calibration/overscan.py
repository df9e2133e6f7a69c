"""Overscan: the camera's own zero level beside the image, subtracted and cut off.

The level is the median of the overscan. Where the overscan is wide, each line
gets its own median, which follows drifts during readout. Where it is narrow,
the whole frame gets one: the median of n pixels per line would add
1.25 σ/√n to every pixel of a line alike, visible as stripes, and a drift that
all frames share is in the master bias anyway.
"""

import hashlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.pixels import MappedRows, PixelFile
from stackbench.frames.records import Frame
from stackbench.frames.robust import median
from stackbench.frames.scratch import SCRATCH_ENDING, write_scratch
from stackbench.frames.sections import is_empty_section, section_slices

# With this many overscan pixels per line the line medians raise the noise of
# a pixel by 3 %: √(1 + (π/2)/26) = 1.03. Fewer give one level for the frame.
_WIDE_ENOUGH = 26


def needs_overscan(frame: Frame) -> bool:
    """Tell whether a frame must go through `subtract_overscan` first.

    Parameters
    ----------
    frame : Frame
        Its sections are those of the header, None when there are none.

    Returns
    -------
    bool
        True when there is an overscan, or a part to cut off.

    Raises
    ------
    ValueError
        If a section is malformed or leaves the frame.
    """
    shape = frame.layout.shape
    if _given(frame.overscan_section) is not None:
        return True
    return trimmed_shape(frame.trim_section, shape) != shape


def trimmed_shape(trim_section: str | None, shape: tuple[int, int]) -> tuple[int, int]:
    """Return the shape that is left of a frame after trimming.

    Parameters
    ----------
    trim_section : str or None
        The part to keep, '[x1:x2,y1:y2]' in FITS counting; None keeps all.
    shape : tuple of int
        The raw frame's (ny, nx).

    Returns
    -------
    tuple of int
        (ny, nx) of the kept part.
    """
    trim = _given(trim_section)
    if trim is None:
        return shape
    rows, columns = section_slices(trim, shape)
    return rows.stop - rows.start, columns.stop - columns.start


def subtract_overscan(
    image: NDArray[np.float32],
    *,
    overscan_section: str | None,
    trim_section: str | None,
) -> NDArray[np.float32]:
    """Subtract the overscan's level from a raw frame and cut the image out.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        The whole raw frame, ADU. Not modified.
    overscan_section : str or None
        Where the overscan lies, '[x1:x2,y1:y2]' in FITS counting (BIASSEC); an
        axis left out is taken whole. None subtracts nothing.
    trim_section : str or None
        The part to keep (TRIMSEC); None keeps all.

    Returns
    -------
    ndarray, shape of the kept part, float32
        ADU above the overscan.

    Raises
    ------
    ValueError
        If a section is malformed or leaves the frame.

    Notes
    -----
    An overscan beside the image has a level for each of its rows, one below or above
    it for each of its columns, any other for each line of its longer side. Lines get
    their own medians when they have `_WIDE_ENOUGH` pixels or more and those of the
    image all have one; else the whole frame gets one. Undefined pixels are left out.
    """
    shape = (image.shape[0], image.shape[1])
    trim, overscan = _given(trim_section), _given(overscan_section)
    kept = (slice(0, shape[0]), slice(0, shape[1]))
    if trim is not None:
        kept = section_slices(trim, shape)
    result = image[kept].astype(np.float64)
    if overscan is not None:
        result -= _level(image, section_slices(overscan, shape), kept)
    return np.ascontiguousarray(result, dtype=np.float32)


def image_area(frame: Frame) -> tuple[tuple[int, int, int, int] | None, bool]:
    """Tell which part of a raw frame is its image, and whether it has an overscan.

    Parameters
    ----------
    frame : Frame
        Its sections are those of the header.

    Returns
    -------
    area : tuple of int, or None
        First row, the one after the last, first column, the one after the last;
        None for the whole frame.
    overscan : bool
        Whether the level of one is subtracted.
    """
    area = None
    if trimmed_shape(frame.trim_section, frame.layout.shape) != frame.layout.shape:
        rows, columns = section_slices(str(frame.trim_section), frame.layout.shape)
        area = (rows.start, rows.stop, columns.start, columns.stop)
    return area, _given(frame.overscan_section) is not None


def _level(
    image: NDArray[np.float32], overscan: tuple[slice, slice], kept: tuple[slice, slice]
) -> NDArray[np.float64] | float:
    """Return what to subtract from the kept part: one level, or one per line of it."""
    part = image[overscan].astype(np.float64)
    beside, below = (_apart(overscan[axis], kept[axis]) for axis in (1, 0))
    by_row = part.shape[0] >= part.shape[1] if beside is below else beside
    if not by_row:
        part = part.T
    has, wants = (area[0] if by_row else area[1] for area in (overscan, kept))
    if part.shape[1] < _WIDE_ENOUGH or has.start > wants.start or has.stop < wants.stop:
        return median(part)
    part = part[wants.start - has.start : wants.stop - has.start]
    lines = np.median(part, axis=1)
    for line in np.flatnonzero(np.isnan(lines)):
        lines[line] = median(part[line])
    return lines[:, np.newaxis] if by_row else lines


def _apart(one: slice, other: slice) -> bool:
    return bool(one.stop <= other.start or other.stop <= one.start)


def corrected_scratch(frame: Frame, pixel_file: PixelFile, folder: Path) -> PixelFile:
    """Write a frame without its overscan into a scratch file that can be mapped.

    Parameters
    ----------
    frame : Frame
        The frame, with the sections of its header.
    pixel_file : PixelFile
        Its raw pixels: its own file, or what they were decoded to.
    folder : Path
        Existing scratch folder.

    Returns
    -------
    PixelFile
        float32, ADU above the overscan, of the trimmed shape.

    Raises
    ------
    ValueError
        If a section is malformed or leaves the frame.
    OSError
        If the pixels cannot be read, or the scratch file not be written.
    """
    source = MappedRows(pixel_file)
    image = subtract_overscan(
        source.rows(0, source.shape[0]),
        overscan_section=frame.overscan_section,
        trim_section=frame.trim_section,
    )
    facts = f"{frame.path}\n{frame.size_bytes}\n{frame.modified_ns}"
    digest = hashlib.sha256(facts.encode(errors="surrogatepass")).hexdigest()[:24]
    path = folder / f"trimmed-{digest}{SCRATCH_ENDING}"
    return write_scratch([image], shape=(image.shape[0], image.shape[1]), path=path)


def _given(section: str | None) -> str | None:
    """Return a section, or None for the empty ones that some cameras write."""
    return None if section is None or is_empty_section(section) else section
