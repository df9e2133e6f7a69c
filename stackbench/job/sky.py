"""The world coordinates of a grid, from the header of its sub."""

from stackbench.export.wcs import Wcs, cropped, wcs_from_header
from stackbench.frames.hdus import read_image_header
from stackbench.frames.records import Frame
from stackbench.frames.sections import section_slices


def grid_wcs(frame: Frame) -> Wcs | None:
    """Read the world coordinates of the sub that gives the grid.

    Parameters
    ----------
    frame : Frame
        The sub.

    Returns
    -------
    Wcs or None
        Of the frame after trimming; None when its header gives none.
    """
    header = read_image_header(frame.path, frame.size_bytes)
    wcs = wcs_from_header(header.cards)
    if wcs is None or frame.trim_section is None:
        return wcs
    rows, columns = section_slices(frame.trim_section, frame.layout.shape)
    return cropped(wcs, x=columns.start, y=rows.start)
