"""Which frames may meet: the same camera in the same mode, the same optical train."""

import math
from collections.abc import Iterable

from stackbench.frames.records import CameraSetup, Setup


def cameras_agree(one: CameraSetup, other: CameraSetup) -> bool:
    """Tell whether frames of two camera setups may meet.

    Shape and binning must be equal; the other values must be equal where both
    headers give them.

    Parameters
    ----------
    one, other : CameraSetup
        The setups of the two frames; the order does not matter.

    Returns
    -------
    bool
        False as soon as one value differs that both state.
    """
    return (
        one.shape == other.shape
        and one.binning == other.binning
        and _same(_folded(one.camera), _folded(other.camera))
        and _same(one.gain_setting, other.gain_setting)
        and _same(one.offset_setting, other.offset_setting)
        and _same(_folded(one.read_mode), _folded(other.read_mode))
    )


def trains_agree(one: Setup, other: Setup) -> bool:
    """Tell whether frames of two setups came through the same optical train.

    Parameters
    ----------
    one, other : Setup
        The setups of the two frames; the order does not matter.

    Returns
    -------
    bool
        True when the cameras agree and neither telescope nor focal length
        differ where both headers give them (focal length within 1 %).
    """
    if not cameras_agree(one.camera, other.camera):
        return False
    if not _same(_folded(one.telescope), _folded(other.telescope)):
        return False
    focal = (one.focal_length_mm, other.focal_length_mm)
    return None in focal or math.isclose(focal[0] or 0, focal[1] or 0, rel_tol=0.01)


def values_confirmed(one: Setup, other: Setup) -> int:
    """Count the camera's values that both headers state.

    Parameters
    ----------
    one, other : Setup
        Setups that agree.

    Returns
    -------
    int
        The more, the surer the match.
    """
    pairs: Iterable[tuple[object, object]] = (
        (one.camera.camera, other.camera.camera),
        (one.camera.gain_setting, other.camera.gain_setting),
        (one.camera.offset_setting, other.camera.offset_setting),
        (one.camera.read_mode, other.camera.read_mode),
    )
    return sum(None not in pair for pair in pairs)


def _same(one: object, other: object) -> bool:
    return one is None or other is None or one == other


def _folded(text: str | None) -> str | None:
    return None if text is None else " ".join(text.casefold().split())
