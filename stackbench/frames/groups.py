"""Lights that may be stacked together: of one target, setup and filter."""

from collections.abc import Sequence
from dataclasses import dataclass

from stackbench.frames.names import setup_label
from stackbench.frames.records import Frame, Kind, Setup
from stackbench.frames.targets import NAMELESS_TARGET, target_key

_FILTER_ORDER = ("L", "R", "G", "B", "Ha", "Hb", "OIII", "SII", "NII")


@dataclass(frozen=True, slots=True, kw_only=True)
class LightGroup:
    """Lights of one target, setup and filter, in order of time."""

    target: str
    setup: Setup
    filter: str | None
    frames: tuple[Frame, ...]


def light_groups(frames: Sequence[Frame]) -> tuple[LightGroup, ...]:
    """Group the lights by target, setup and filter.

    Parameters
    ----------
    frames : sequence of Frame
        Frames of any kind, lights with their targets given.

    Returns
    -------
    tuple of LightGroup
        Sorted by target, setup and filter (luminance, colours, lines, others,
        none); within a group by time, frames without time last, then by path.
    """
    members: dict[tuple[str, Setup, str | None], list[Frame]] = {}
    for frame in frames:
        if frame.kind is Kind.LIGHT:
            key = target_key(frame.target or NAMELESS_TARGET), frame.setup, frame.filter
            members.setdefault(key, []).append(frame)
    groups = [
        LightGroup(
            target=lights[0].target or NAMELESS_TARGET,
            setup=setup,
            filter=filter_name,
            frames=tuple(sorted(lights, key=_moment)),
        )
        for (_, setup, filter_name), lights in members.items()
    ]
    return tuple(sorted(groups, key=_place))


def _moment(frame: Frame) -> tuple[bool, float, str]:
    seconds = frame.time.timestamp() if frame.time is not None else 0.0
    return frame.time is None, seconds, str(frame.path)


def _place(group: LightGroup) -> tuple[str, str, int, str]:
    name = group.filter or ""
    rank = _FILTER_ORDER.index(name) if name in _FILTER_ORDER else len(_FILTER_ORDER)
    return target_key(group.target), setup_label(group.setup), rank + (not name), name
