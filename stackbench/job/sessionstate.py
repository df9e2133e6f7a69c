"""What a session knows at one moment."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from stackbench.export.night import Night
from stackbench.frames.records import Frame, Problem
from stackbench.job.exporting import FinishedChannel
from stackbench.job.judging import JudgedGroup
from stackbench.job.overview import Overview
from stackbench.job.shelf import Masters, MasterShelf
from stackbench.job.skies import NO_SKY, NightSky
from stackbench.job.stacking import FinishedStack
from stackbench.review.camera import CameraRecord
from stackbench.review.verdicts import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionState:
    """All that is known at one moment; what is not yet known is empty or None.

    `frames` are all frames that can be read, with kinds and filters set by
    hand; `stated` those among them that were set, by path, as their headers
    state them. `sky` is what the Sun and the Moon did. `masters` are those on
    disk, one after the other while they are made, and `shelf` all of them.
    `groups` are the judged lights, `cameras` what the calibration frames tell of their
    cameras. `stale` are the indices of those groups whose stack does not show their
    verdicts: not stacked yet, or decided otherwise since.
    `night` is the record as last written. `replanned` tells that kinds or
    filters were set by hand and nothing was made by the new plan yet. `outdated` names
    the parts of the settings that were changed after what they are about was made: the
    measures, and so all stacks, or the channels' files. `version` is higher in a later
    state of a session, so that one that is heard late can be told.
    """

    folders: tuple[Path, ...] = ()
    frames: tuple[Frame, ...] = ()
    stated: Mapping[Path, Frame] = field(default_factory=dict)
    sky: NightSky = NO_SKY
    overview: Overview | None = None
    masters: Masters = ()
    shelf: MasterShelf | None = None
    groups: tuple[JudgedGroup, ...] = ()
    cameras: tuple[CameraRecord, ...] = ()
    stacks: tuple[FinishedStack, ...] = ()
    channels: tuple[FinishedChannel, ...] = ()
    problems: tuple[Problem, ...] = ()
    night: Night | None = None
    stale: tuple[int, ...] = ()
    replanned: bool = False
    outdated: tuple[str, ...] = ()
    version: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How other limits would change the verdict on one sub."""

    path: Path
    before: Verdict
    after: Verdict


def turned_verdicts(
    before: Sequence[JudgedGroup], after: Sequence[JudgedGroup]
) -> tuple[Change, ...]:
    """List the subs that two judgements of the same groups decide otherwise.

    Parameters
    ----------
    before, after : sequence of JudgedGroup
        The groups as judged.

    Returns
    -------
    tuple of Change
        In the order of the groups and their subs.
    """
    pairs = (
        (old, new)
        for one, other in zip(before, after, strict=True)
        for old, new in zip(one.subs, other.subs, strict=True)
    )
    return tuple(
        Change(path=old.frame.path, before=old.verdict, after=new.verdict)
        for old, new in pairs
        if old.verdict.decision is not new.verdict.decision
    )


Hear = Callable[[SessionState], None]


def ignore(state: SessionState) -> None:
    """Hear nothing.

    Parameters
    ----------
    state : SessionState
        Not looked at.
    """
