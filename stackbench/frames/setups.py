"""One focal length for all frames of one optical train."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from statistics import median_low

from stackbench.frames.records import Frame

# Programs that find the sky position of a frame write the focal length that
# they fitted into it, which changes with focus and temperature by a few parts
# in a thousand; two trains of one telescope (reducer, extender) differ by far more.
_SAME_TRAIN = 1.01


def with_common_focal_lengths(frames: Sequence[Frame]) -> tuple[Frame, ...]:
    """Give frames whose focal lengths hardly differ one value, so that they may meet.

    Parameters
    ----------
    frames : sequence of Frame
        Frames of any kind.

    Returns
    -------
    tuple of Frame
        In the order given. Of one telescope and camera, focal lengths whose
        neighbours lie within 1 % all become the median of those stated.
    """
    stated: dict[tuple[str | None, str | None], list[float]] = {}
    for frame in frames:
        if frame.setup.focal_length_mm is not None:
            stated.setdefault(_train(frame), []).append(frame.setup.focal_length_mm)
    common = {
        (train, length): median_low(together)
        for train, lengths in stated.items()
        for together in _together(lengths)
        for length in together
    }
    return tuple(_with(frame, common) for frame in frames)


def _train(frame: Frame) -> tuple[str | None, str | None]:
    return frame.setup.telescope, frame.setup.camera.camera


def _together(lengths: Sequence[float]) -> Iterator[list[float]]:
    """Part sorted lengths where neighbours lie further apart."""
    part: list[float] = []
    for length in sorted(lengths):
        if part and length > _SAME_TRAIN * part[-1]:
            yield part
            part = []
        part.append(length)
    yield part


def _with(frame: Frame, common: dict[tuple[tuple[str | None, str | None], float], float]) -> Frame:
    stated = frame.setup.focal_length_mm
    if stated is None or common[_train(frame), stated] == stated:
        return frame
    length = common[_train(frame), stated]
    return replace(frame, setup=replace(frame.setup, focal_length_mm=length))
