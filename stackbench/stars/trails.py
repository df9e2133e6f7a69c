"""Tell apart peaks that line up along a trail, and peaks that every star repeats."""

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled
from stackbench.stars.moments import Moments
from stackbench.stars.records import Floats

# Peaks this elongated under the window (minor over major moment) may be pieces of a trail.
_ELONGATED = 0.75
_LEAST_PIECES = 8
_MOST_TRAILS = 10
# Pieces of one trail agree in direction to about 12° (sine), and lie in this cone.
_SAME_WAY, _CONE = 0.2, 0.12
# How far off its line a piece may lie, in units of the window.
_OFF_LINE, _CHANCES = 0.4, 5.0
_LEAST_REPEATS, _LEAST_REPEATED_SHARE, _LEAST_COMPANION = 5, 0.25, 0.15


def on_trails(
    moments: Moments, fainter: npt.NDArray[np.complex128]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Say which peaks are pieces of a straight trail across the frame.

    A piece is elongated, and at least eight elongated pieces lie on the line
    that its own direction draws: with the stars of a badly guided frame, all
    elongated alike but scattered, that does not happen.

    Parameters
    ----------
    moments : Moments
        Of the brightest peaks, at most about a thousand.
    fainter : ndarray, 1-D, complex128
        Places x + iy of all further peaks, pixels.

    Returns
    -------
    tuple of ndarray, bool
        For the brightest and for the further peaks, True for pieces of a trail;
        a further peak is one when it lies on the trail.
    """
    major, minor = moments.axes()
    long = np.flatnonzero(minor < _ELONGATED * major)
    trail, fainter_trail = np.zeros(len(moments.x), bool), np.zeros(len(fainter), bool)
    if len(long) < _LEAST_PIECES:
        return trail, fainter_trail
    place = moments.x[long] + 1j * moments.y[long]
    heading = np.exp(0.5j * np.angle(moments.xx[long] - moments.yy[long] + 2j * moments.xy[long]))
    left = np.ones(len(long), bool)
    # As many elongated stars as lie on a line across the frame by chance.
    width, height = np.ptp(place.real) + 1, np.ptp(place.imag) + 1
    by_chance = len(long) * 2 * _OFF_LINE * moments.window_px * np.hypot(width, height)
    least = _LEAST_PIECES + _CHANCES * by_chance / (width * height)
    for _ in range(_MOST_TRAILS):
        line = _fullest_line(place, heading, left, moments.window_px, least)
        if line is None:
            break
        trail[long[line]] = True
        left &= ~line
        centre = place[line].mean()
        course = np.exp(0.5j * np.angle(((place[line] - centre) ** 2).sum()))
        aside = np.abs(((fainter - centre) * course.conjugate()).imag)
        fainter_trail |= aside < moments.window_px
    return trail, fainter_trail


def _fullest_line(
    place: npt.NDArray[np.complex128],
    heading: npt.NDArray[np.complex128],
    left: npt.NDArray[np.bool_],
    window: float,
    least: float,
) -> npt.NDArray[np.bool_] | None:
    """Find the pieces on one straight line, or None if none holds `least` of them.

    A piece's own direction is too rough for a line across the frame: it
    chooses who may belong, and the pair that most others agree with is the line.
    """
    offset = (place[None, :] - place[:, None]) * heading.conj()[:, None]
    same_way = np.abs((heading[None, :] * heading.conj()[:, None]).imag) < _SAME_WAY
    beside = np.abs(offset.imag) < _CONE * np.abs(offset.real) + window
    votes = (same_way & beside & left[None, :] & left[:, None]).sum(axis=1)
    for k in np.argsort(-votes, kind="stable")[:_MOST_TRAILS]:
        if votes[k] < least:
            return None
        others = np.flatnonzero(same_way[k] & beside[k] & left)
        seen = offset[k, others]
        far = seen[np.abs(seen) > 3 * window]
        if len(far) < least - 1:
            continue
        course = far / np.abs(far)
        aside = np.abs((seen[None, :] * course.conj()[:, None]).imag)
        members = aside < _OFF_LINE * window
        best = int(np.argmax(members.sum(axis=1)))
        if members[best].sum() >= least:
            line = np.zeros(len(place), bool)
            line[others[members[best]]] = True
            return line
    return None


def repeated_offset(
    x: Floats, y: Floats, snr: Floats, *, reach_px: float, tolerance_px: float
) -> tuple[complex, float] | None:
    """Find the companion that every star has, as after a bump of the mount.

    Parameters
    ----------
    x, y : ndarray, 1-D, float64
        Positions of the brightest peaks, pixels, brightest first.
    snr : ndarray, 1-D, float64
        Their S/N.
    reach_px : float
        Largest distance of a companion, pixels.
    tolerance_px : float
        How well the offsets must agree, pixels.

    Returns
    -------
    tuple or None
        Offset dx + i·dy from the brighter to the fainter one and the companion's
        median share of the pair's light; None if fewer than a third of the stars
        have one.
    """
    place = x + 1j * y
    offset = place[None, :] - place[:, None]
    ratio = snr[None, :] / snr[:, None]
    order = np.arange(len(x))
    pairs = (np.abs(offset) < reach_px) & (order[None, :] > order[:, None])
    first, second = np.nonzero(pairs & (ratio > _LEAST_COMPANION))
    if len(first) < _LEAST_REPEATS:
        return None
    offsets = offset[first, second]
    # Noise decides which one of an equal pair is called the brighter one.
    same = np.abs(offsets[:, None] - offsets[None, :]) < tolerance_px
    mirrored = np.abs(offsets[:, None] + offsets[None, :]) < tolerance_px
    best = int(np.argmax((same | mirrored).sum(axis=1)))
    members = same[best] | mirrored[best]
    if members.sum() < max(_LEAST_REPEATS, _LEAST_REPEATED_SHARE * len(x)):
        return None
    share = ratio[first[members], second[members]]
    turned = np.where(mirrored[best], -offsets, offsets)[members]
    return complex(np.mean(turned)), float(np.median(share / (1 + share)))


@compiled
def crowded(
    x: Floats, y: Floats, snr: Floats, radius: float, share: float, flags: npt.NDArray[np.bool_]
) -> None:
    """Flag every peak with a neighbour inside `radius` of at least `share` of its S/N.

    Parameters
    ----------
    x, y, snr : ndarray, 1-D, float64
        Positions and S/N, sorted by y.
    radius : float
        Pixels.
    share : float
        S/N of a neighbour that matters, relative to the peak's own.
    flags : ndarray, 1-D, bool
        Set to True where crowded; must be False on entry.
    """
    for k in range(x.size):
        for m in range(k + 1, x.size):
            if y[m] - y[k] > radius:
                break
            if (x[m] - x[k]) ** 2 + (y[m] - y[k]) ** 2 <= radius * radius:
                flags[k] = flags[k] or snr[m] >= share * snr[k]
                flags[m] = flags[m] or snr[k] >= share * snr[m]
