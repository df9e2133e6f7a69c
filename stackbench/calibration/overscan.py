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
    The overscan runs along the longer side of its section. When that makes
    `_WIDE_ENOUGH` pixels or more per line, each line gets its own median.
    """
    from astropy.nddata import CCDData
    from ccdproc import subtract_overscan as subtract_level
    from ccdproc import trim_image

    shape = (image.shape[0], image.shape[1])
    frame = CCDData(image.astype(np.float64), unit="adu")
    overscan = _given(overscan_section)
    if overscan is not None:
        rows, columns = section_slices(overscan, shape)
        height, width = rows.stop - rows.start, columns.stop - columns.start
        if min(height, width) >= _WIDE_ENOUGH:
            section = _fits_section(rows, columns)
            frame = subtract_level(frame, fits_section=section, overscan_axis=None, median=True)
        else:
            frame.data = frame.data - np.median(frame.data[rows, columns])
    trim = _given(trim_section)
    if trim is not None:
        frame = trim_image(frame, fits_section=_fits_section(*section_slices(trim, shape)))
    return np.ascontiguousarray(frame.data, dtype=np.float32)


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


def _fits_section(rows: slice, columns: slice) -> str:
    return f"[{columns.start + 1}:{columns.stop},{rows.start + 1}:{rows.stop}]"
