"""Sets of calibration frames, and which of them serve a frame."""

from dataclasses import dataclass
from datetime import date

from stackbench.frames.records import Frame, Kind, Problem, Setup


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationSet:
    """Calibration frames of one sort, from which one master is made.

    `filter` is None but for flats. `temperature_c` is the frames' median, °C;
    `night` the date of the evening on which they were taken, if known.
    """

    kind: Kind
    setup: Setup
    frames: tuple[Frame, ...]
    filter: str | None = None
    exposure_s: float | None = None
    temperature_c: float | None = None
    night: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Serving:
    """What calibrates one frame: its masters' sets, and how they are applied.

    The level to subtract is `dark` itself when `dark_scale` is None (exposure
    and temperature match, the bias stays inside), else
    bias + dark_scale × (dark − bias). Without a dark it is the bias, without
    either it is 0. `notes` say in words what was chosen; `problems` what is
    missing or doubtful, with its remedy.
    """

    bias: CalibrationSet | None = None
    dark: CalibrationSet | None = None
    dark_scale: float | None = None
    flat: CalibrationSet | None = None
    notes: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
