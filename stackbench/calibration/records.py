"""Sets of calibration frames, which of them serve a frame, and the masters made of them."""

from dataclasses import dataclass, fields
from datetime import date
from enum import IntEnum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.records import Frame, Kind, Problem, Setup


@dataclass(frozen=True, slots=True, kw_only=True)
class DroppedFrame:
    """A frame of a set that its master was made without, and why.

    `passing` tells that the same file may be usable the next time.
    """

    path: Path
    reason: str
    passing: bool = False


class Defect(IntEnum):
    """What is wrong with a pixel, as masters show it."""

    HOT = 1
    COLD = 2
    UNSTABLE = 3
    DIM = 4
    BRIGHT = 5
    COLUMN = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class DefectCounts:
    """How many pixels of each sort a master shows, each counted once.

    `unstable` ones vary between the darks; `column` counts the pixels of columns,
    or parts of them, that differ from their neighbours.
    """

    hot: int = 0
    cold: int = 0
    unstable: int = 0
    dim: int = 0
    bright: int = 0
    column: int = 0

    @property
    def total(self) -> int:
        """The number of bad pixels.

        Returns
        -------
        int
            Of all sorts.
        """
        return self.hot + self.cold + self.unstable + self.dim + self.bright + self.column


@dataclass(frozen=True, slots=True, kw_only=True)
class Defects:
    """The map of bad pixels that a master shows.

    `places` are y × nx + x, ascending, `sorts` a `Defect` for each, both of shape
    (n,), int32; both are empty where `counts` are too many to be believed.
    """

    places: NDArray[np.int32]
    sorts: NDArray[np.int32]
    counts: DefectCounts

    def of(self, *sorts: Defect) -> NDArray[np.int32]:
        """List the pixels of some sorts.

        Parameters
        ----------
        *sorts : Defect
            The sorts.

        Returns
        -------
        ndarray, shape (n,), int32
            y × nx + x, ascending.
        """
        return self.places[np.isin(self.sorts, sorts)]


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterFacts:
    """What is known about a master frame but for its pixels.

    `paths` are the frames that went in; `rotator_deg` is known of flats only.
    `level_adu` is the median level: of the data for bias and dark, of the single
    flats above their bias or dark for a flat. `frame_noise_adu` is the random noise
    of one frame, from differences of pairs (from neighbouring pixels when there is
    only one frame); for a bias that is the read noise. `noise` is that of the
    master, in the unit of its data. `rejected_pixels` counts values clipped out of
    `paths` × pixels; `method` names the way of combining. `defects` counts the
    bad pixels that a dark or flat shows. `frame_levels_adu` are the mean levels of
    the frames of a bias or dark, in the order of `paths`.
    """

    kind: Kind
    setup: Setup
    filter: str | None = None
    exposure_s: float | None = None
    temperature_c: float | None = None
    night: date | None = None
    rotator_deg: float | None = None
    paths: tuple[Path, ...]
    dropped: tuple[DroppedFrame, ...] = ()
    method: str
    rejected_pixels: int
    level_adu: float
    frame_noise_adu: float | None = None
    noise: float | None = None
    defects: DefectCounts | None = None
    frame_levels_adu: tuple[float, ...] = ()
    problems: tuple[Problem, ...] = ()

    @property
    def read_noise_adu(self) -> float | None:
        """The read noise of the camera.

        Returns
        -------
        float or None
            ADU; None unless this is a master bias of two frames or more.
        """
        if self.kind is Kind.BIAS and len(self.paths) > 1:
            return self.frame_noise_adu
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredMaster:
    """A master kept from an earlier night: its file, its checksum, its facts."""

    path: Path
    sha256: str
    facts: MasterFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationSet:
    """Calibration frames of one sort, from which one master is made.

    `filter` and `rotator_deg` are None but for flats. `temperature_c` is the
    frames' median, °C; `night` the date of the evening on which they were
    taken, if known. A set that is a `stored` master has no frames any more.
    """

    kind: Kind
    setup: Setup
    frames: tuple[Frame, ...]
    filter: str | None = None
    exposure_s: float | None = None
    temperature_c: float | None = None
    night: date | None = None
    rotator_deg: float | None = None
    stored: StoredMaster | None = None

    @property
    def depth(self) -> int:
        """How many frames the master is made of.

        Returns
        -------
        int
            Those of the set, or of the stored master.
        """
        return len(self.frames) if self.stored is None else len(self.stored.facts.paths)

    def __hash__(self) -> int:
        """Hash what tells sets apart; all frames with all their facts take a millisecond."""
        first = self.frames[0].path if self.frames else self.stored
        return hash((self.kind, self.filter, self.exposure_s, len(self.frames), first))


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Master(MasterFacts):
    """One master frame and how it came about.

    `data` is (ny, nx) float32, NaN where undefined: ADU as taken for bias and
    dark (the bias stays inside), response with median 1 for a flat. `bad` is the
    map of the bad pixels that `defects` counts.
    """

    data: NDArray[np.float32]
    bad: Defects | None = None


def facts_of(master: MasterFacts) -> MasterFacts:
    """Part a master's facts from its pixels.

    Parameters
    ----------
    master : MasterFacts
        A master.

    Returns
    -------
    MasterFacts
        The same facts.
    """
    return MasterFacts(**{one.name: getattr(master, one.name) for one in fields(MasterFacts)})


def with_pixels(
    facts: MasterFacts, data: NDArray[np.float32], *, bad: Defects | None = None
) -> Master:
    """Put a master's facts and pixels together.

    Parameters
    ----------
    facts : MasterFacts
        The facts.
    data : ndarray, shape (ny, nx), float32
        The pixels, NaN where undefined.
    bad : Defects, optional
        The map of bad pixels.

    Returns
    -------
    Master
        The master.
    """
    known = {one.name: getattr(facts, one.name) for one in fields(MasterFacts)}
    return Master(data=data, bad=bad, **known)
