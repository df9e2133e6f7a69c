"""What happened in a night, told with its evidence."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path

MOMENT = "s since 1970 UTC"
"""The unit of a figure that is a moment."""


class Topic(StrEnum):
    """What a finding is about."""

    WEATHER = "weather"
    FOCUS = "focus"
    TRACKING = "tracking"
    ALIGNMENT = "polar alignment"
    OPTICS = "optics"
    SEEING = "seeing"
    CAMERA = "camera"


class Confidence(StrEnum):
    """How sure a finding is: `likely` where another cause would look alike."""

    CERTAIN = "certain"
    LIKELY = "likely"
    POSSIBLE = "possible"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A number that a finding states: value, one standard uncertainty, unit."""

    name: str
    value: float
    uncertainty: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that happened, on what evidence, and what to do.

    `cause` names it in one word or two that never change, for scripts
    ("cloud", "focus drift", ...); `title` is a line and `text` a sentence or two for the
    imager. `evidence` are statements with numbers; `figures` the same for
    programs, the leading one first. `subs` are the subs concerned and
    `measures` the names of the measures that show it. `start` and `end` are
    UTC. `remedy` says what to do, empty when nothing is to be done.
    """

    topic: Topic
    cause: str
    title: str
    text: str
    evidence: tuple[str, ...]
    confidence: Confidence
    figures: tuple[Figure, ...] = ()
    subs: tuple[Path, ...] = ()
    measures: tuple[str, ...] = ()
    start: datetime | None = None
    end: datetime | None = None
    remedy: str = ""
