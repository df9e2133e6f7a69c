"""The rules by which calibration frames are matched, as one table.

A row says, for a frame of one kind and calibration frames of another, what
must be equal, what may differ and by how much, and, by the order of its
rules, what is preferred. All of it is common practice, no source.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from stackbench.calibration.records import CalibrationSet
from stackbench.calibration.traits import (
    AREA,
    BINNING,
    CAMERA,
    EXPOSURE,
    FILTER,
    FOCAL_LENGTH,
    GAIN,
    NIGHT,
    OFFSET,
    PEDESTAL,
    READ_MODE,
    ROTATION,
    SHAPE,
    TELESCOPE,
    TEMPERATURE,
    Trait,
)
from stackbench.frames.records import CameraSetup, Frame, Kind


class Beyond(StrEnum):
    """What becomes of a pairing whose difference exceeds the tolerance."""

    REFUSE = "refuse"
    SCALE = "scale"
    WARN = "warn"
    PREFER = "prefer"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """How far a trait may differ, and what follows beyond.

    `tolerance` is in the unit of the trait's gap. An unknown value agrees with
    any, unless `unknown_agrees` is False: then only with another unknown one.
    """

    trait: Trait
    tolerance: float = 0.0
    beyond: Beyond = Beyond.REFUSE
    unknown_agrees: bool = True

    def gap(self, frame: Frame, one: CalibrationSet) -> float | None:
        """Measure how far a frame and a set lie apart.

        Parameters
        ----------
        frame : Frame
            The frame to be calibrated.
        one : CalibrationSet
            The calibration frames.

        Returns
        -------
        float or None
            In the unit of the trait; None where a value is unknown.
        """
        mine, theirs = self.trait.of_frame(frame), self.trait.of_set(one)
        if mine is None or theirs is None:
            same = self.unknown_agrees or mine is theirs
            return None if same else math.inf
        return self.trait.gap(mine, theirs)

    def excess(self, frame: Frame, one: CalibrationSet) -> float:
        """Weigh a difference beyond the tolerance, for choosing among sets.

        Parameters
        ----------
        frame : Frame
            The frame to be calibrated.
        one : CalibrationSet
            The calibration frames.

        Returns
        -------
        float
            0 within the tolerance or when unknown, more the worse.
        """
        gap = self.gap(frame, one)
        if gap is None or gap <= self.tolerance:
            return 0.0
        if self.trait.cost is None:
            return gap - self.tolerance
        return self.trait.cost(self.trait.of_frame(frame), self.trait.of_set(one))


SAME_CAMERA = (
    Rule(trait=SHAPE),
    Rule(trait=BINNING),
    Rule(trait=CAMERA),
    Rule(trait=GAIN),
    Rule(trait=OFFSET),
    Rule(trait=READ_MODE),
    Rule(trait=AREA),
    Rule(trait=PEDESTAL),
)
SAME_TRAIN = (
    *SAME_CAMERA,
    Rule(trait=TELESCOPE),
    # programs that solve for the sky write the length they fitted
    Rule(trait=FOCAL_LENGTH, tolerance=0.01),
)

# A dark serves as taken within this many °C; beyond, the gap is warned of.
# Dark current doubles every 5 to 8 °C, so that 2 °C change it by a quarter.
_TEMPERATURE = Rule(trait=TEMPERATURE, tolerance=2.0, beyond=Beyond.WARN)
_BIAS = (
    *SAME_CAMERA,
    Rule(trait=NIGHT, beyond=Beyond.PREFER),
    Rule(trait=TEMPERATURE, tolerance=math.inf, beyond=Beyond.PREFER),
)

RULES: Mapping[tuple[Kind, Kind], tuple[Rule, ...]] = {
    (Kind.LIGHT, Kind.BIAS): _BIAS,
    (Kind.LIGHT, Kind.DARK): (
        *SAME_CAMERA,
        _TEMPERATURE,
        Rule(trait=EXPOSURE, tolerance=0.01, beyond=Beyond.SCALE),
        Rule(trait=NIGHT, tolerance=math.inf, beyond=Beyond.PREFER),
    ),
    (Kind.LIGHT, Kind.FLAT): (
        *SAME_TRAIN,
        Rule(trait=FILTER, unknown_agrees=False),
        # a turn by 2° moves a dust shadow at the edge of a 3000-px frame by 50 px
        Rule(trait=ROTATION, tolerance=2.0),
        Rule(trait=NIGHT, beyond=Beyond.PREFER),
    ),
    (Kind.FLAT, Kind.BIAS): _BIAS,
    # flats are short and bright: a tenth more or less of dark current is nothing
    (Kind.FLAT, Kind.DARK_FLAT): (
        *SAME_CAMERA,
        Rule(trait=EXPOSURE, tolerance=0.1, beyond=Beyond.SCALE),
        _TEMPERATURE,
        Rule(trait=NIGHT, tolerance=math.inf, beyond=Beyond.PREFER),
    ),
    (Kind.FLAT, Kind.DARK): (
        *SAME_CAMERA,
        Rule(trait=EXPOSURE, tolerance=0.1, beyond=Beyond.SCALE),
        _TEMPERATURE,
        Rule(trait=NIGHT, tolerance=math.inf, beyond=Beyond.PREFER),
    ),
}


def cameras_agree(one: CameraSetup, other: CameraSetup) -> bool:
    """Tell whether frames of two camera setups may meet.

    Parameters
    ----------
    one, other : CameraSetup
        The setups of the two frames; the order does not matter.

    Returns
    -------
    bool
        False as soon as one value differs that both state.
    """
    reads = (rule.trait.of_camera for rule in SAME_CAMERA if rule.trait.of_camera is not None)
    return all(None in (read(one), read(other)) or read(one) == read(other) for read in reads)


def rule_for(frame: Kind, serving: Kind, trait: Trait) -> Rule:
    """Look up the rule on one trait.

    Parameters
    ----------
    frame, serving : Kind
        The kinds of the frame and of the calibration frames.
    trait : Trait
        The trait.

    Returns
    -------
    Rule
        Its rule.

    Raises
    ------
    KeyError
        If the table has none.
    """
    for rule in RULES[frame, serving]:
        if rule.trait is trait:
            return rule
    raise KeyError(f"no rule on {trait.name} for {serving} frames of a {frame}")


def broken_rules(frame: Frame, one: CalibrationSet) -> tuple[Rule, ...]:
    """List the rules that forbid a set to serve a frame.

    Parameters
    ----------
    frame : Frame
        A light or a flat.
    one : CalibrationSet
        Calibration frames of a kind that serves it.

    Returns
    -------
    tuple of Rule
        Empty when the set may serve.
    """
    return tuple(
        rule
        for rule in RULES[frame.kind, one.kind]
        if rule.beyond is Beyond.REFUSE and (rule.gap(frame, one) or 0.0) > rule.tolerance
    )


def preference(frame: Frame, one: CalibrationSet) -> tuple[float, ...]:
    """Order the sets that may serve a frame: the least is the best.

    Parameters
    ----------
    frame : Frame
        A light or a flat.
    one : CalibrationSet
        A set that may serve it.

    Returns
    -------
    tuple of float
        What exceeds a tolerance, in the order of the rules; then how little
        both headers confirm; then all gaps in the same order; then whether it is
        a stored master, and how few frames it has.
    """
    rules = RULES[frame.kind, one.kind]
    soft = [rule for rule in rules if rule.beyond is not Beyond.REFUSE]
    return (
        *(rule.excess(frame, one) for rule in soft),
        -sum(rule.gap(frame, one) is not None for rule in rules),
        *(rule.gap(frame, one) or 0.0 for rule in soft),
        float(one.stored is not None),
        -float(one.depth),
    )
