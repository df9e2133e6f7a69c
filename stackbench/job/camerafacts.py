"""All that a night's frames tell of its cameras."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from stackbench.calibration.darkcurrent import DarkRate, DoublingStep, doubling_step
from stackbench.calibration.levels import frame_levels, level_error
from stackbench.calibration.linearity import Linearity, linearity
from stackbench.calibration.matching import CalibrationPlan
from stackbench.calibration.phototransfer import MeasuredCamera, TransferLine, transfer_line
from stackbench.calibration.records import CalibrationSet
from stackbench.calibration.sets import set_name
from stackbench.calibration.survey import sample_rows
from stackbench.calibration.trends import Trend, trend
from stackbench.calibration.vignetting import (
    PixelResponse,
    Vignetting,
    pixel_response,
    vignetting,
)
from stackbench.frames.names import setup_label
from stackbench.frames.pixels import MappedRows
from stackbench.frames.records import CameraSetup, Frame, Kind, Problem, Setup
from stackbench.job.camera import bias_under, camera_numbers, sets_of, used_frames
from stackbench.job.darksignal import dark_signal
from stackbench.job.doubts import gain_doubt, stated_gain
from stackbench.job.mastermaking import load_master
from stackbench.job.saturation import camera_saturation
from stackbench.job.shelf import FinishedMaster
from stackbench.job.workshop import Workshop

_MOST_PAIRS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class BiasFacts:
    """The zero level: its mean over the frames, and how it wanders.

    `by_hour` and `by_degree` are in ADU per hour and per °C, None where the
    frames do not differ in time or temperature.
    """

    frames: int
    level_adu: float
    by_hour: Trend | None
    by_degree: Trend | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkFacts:
    """One set of darks: dark current with 1σ, and the share of hot pixels.

    `rate_e_s` is None where the gain is unknown.
    """

    name: str
    exposure_s: float
    temperature_c: float | None
    rate_adu_s: float
    error_adu_s: float
    rate_e_s: float | None
    error_e_s: float | None
    hot_share: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatFacts:
    """One set of flats; `level_share` is their level as a share of saturation."""

    name: str
    level_adu: float
    level_share: float | None
    vignetting: Vignetting | None
    response: PixelResponse | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFacts:
    """What the frames tell of one camera with its settings.

    `label` names it in files. `linearity` is by filter. `darks_without_bias` are the
    names of sets that tell no dark current, as no bias can be taken off them.
    """

    label: str
    camera: CameraSetup
    stated_gain: float | None
    saturation_adu: float | None
    numbers: MeasuredCamera | None
    line: TransferLine | None
    bias: BiasFacts | None
    darks: tuple[DarkFacts, ...]
    darks_without_bias: tuple[str, ...]
    doubling: DoublingStep | None
    flats: tuple[FlatFacts, ...]
    linearity: tuple[tuple[str, Linearity], ...]
    problems: tuple[Problem, ...]


def cameras_of(plan: CalibrationPlan) -> tuple[CameraSetup, ...]:
    """List the cameras, each with its settings, of which there are calibration frames.

    Parameters
    ----------
    plan : CalibrationPlan
        The sets.

    Returns
    -------
    tuple of CameraSetup
        In the order of the sets.
    """
    return tuple(dict.fromkeys(one.setup.camera for one in plan.sets if one.stored is None))


def camera_facts(
    shop: Workshop,
    camera: CameraSetup,
) -> CameraFacts:
    """Measure a camera from its calibration frames.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    camera : CameraSetup
        The camera with its settings.

    Returns
    -------
    CameraFacts
        None for what the frames do not tell.

    Raises
    ------
    FrameError
        If a frame cannot be read any more.
    """
    numbers = camera_numbers(shop, camera, most_pairs=_MOST_PAIRS)
    saturation = camera_saturation(shop, camera)
    doubt = gain_doubt(shop, camera)
    measure = _Measure(shop, camera)
    darks = tuple(_in_electrons(one, numbers) for one in measure.darks())
    return CameraFacts(
        label=setup_label(Setup(camera=camera)),
        camera=camera,
        stated_gain=stated_gain(shop.found, camera),
        saturation_adu=saturation,
        numbers=numbers,
        line=transfer_line(numbers.points) if numbers is not None else None,
        bias=measure.bias(),
        darks=darks,
        darks_without_bias=measure.darks_without_bias(),
        doubling=doubling_step(
            [
                DarkRate(
                    rate=one.rate_adu_s, error=one.error_adu_s, temperature_c=one.temperature_c
                )
                for one in darks
            ]
        ),
        flats=measure.flats(saturation),
        linearity=measure.linearity(saturation),
        problems=(doubt,) if doubt is not None else (),
    )


class _Measure:
    """Measures one camera's sets."""

    def __init__(self, shop: Workshop, camera: CameraSetup) -> None:
        self._shop, self._camera = shop, camera
        self._bias_sets = self._sets(Kind.BIAS)
        self._bias_frames = [
            frame for one in self._bias_sets for frame in used_frames(shop.shelf, one)
        ]
        self._bias_levels = frame_levels(self._opened(self._bias_frames))

    def bias(self) -> BiasFacts | None:
        if not self._bias_levels:
            return None
        frames, levels = self._bias_frames, self._bias_levels
        return BiasFacts(
            frames=len(levels),
            level_adu=sum(levels) / len(levels),
            by_hour=trend(_hours(frames), levels),
            by_degree=trend([_or_nan(frame.temperature_c) for frame in frames], levels),
        )

    def darks(self) -> tuple[DarkFacts, ...]:
        facts = []
        for one, master, bias in self._freed_darks():
            rate = dark_signal(self._shop.bench, self._shop.desk, master, bias).rate
            if rate is None or not one.exposure_s:
                continue
            levels = frame_levels(self._opened(used_frames(self._shop.shelf, one)))
            level = (level_error(levels) ** 2 + level_error(self._bias_levels) ** 2) ** 0.5
            bad = master.facts.defects
            pixels = self._camera.shape[0] * self._camera.shape[1]
            facts.append(
                DarkFacts(
                    name=set_name(one),
                    exposure_s=one.exposure_s,
                    temperature_c=one.temperature_c,
                    rate_adu_s=rate.rate,
                    error_adu_s=(rate.error**2 + (level / one.exposure_s) ** 2) ** 0.5,
                    rate_e_s=None,
                    error_e_s=None,
                    hot_share=bad.hot / pixels if bad is not None else None,
                )
            )
        return tuple(facts)

    def darks_without_bias(self) -> tuple[str, ...]:
        freed = {one for one, _, _ in self._freed_darks()}
        return tuple(set_name(one) for one in self._sets(Kind.DARK) if one not in freed)

    def flats(self, saturation_adu: float | None) -> tuple[FlatFacts, ...]:
        facts = []
        for one in self._sets(Kind.FLAT):
            master = self._shop.shelf.get(one)
            if master is None:
                continue
            level = master.facts.level_adu
            facts.append(
                FlatFacts(
                    name=set_name(one),
                    level_adu=level,
                    level_share=(level + self._zero()) / saturation_adu if saturation_adu else None,
                    vignetting=vignetting(load_master(self._shop.desk, master).data),
                    response=self._response(one, saturation_adu),
                )
            )
        return tuple(facts)

    def linearity(self, saturation_adu: float | None) -> tuple[tuple[str, Linearity], ...]:
        by_filter: dict[str, list[Frame]] = defaultdict(list)
        for one in self._sets(Kind.FLAT):
            by_filter[one.filter or "no filter named"] += used_frames(self._shop.shelf, one)
        found = []
        for name, frames in by_filter.items():
            if len({frame.exposure_s for frame in frames}) < 3:
                continue
            levels = frame_levels(self._opened(frames))
            exposures = [_or_nan(frame.exposure_s) for frame in frames]
            full = saturation_adu or float("inf")
            below = [(t, s) for t, s in zip(exposures, levels, strict=True) if s < 0.95 * full]
            straight = linearity(
                [t for t, _ in below], [level - self._zero() for _, level in below]
            )
            if straight is not None:
                found.append((name, straight))
        return tuple(found)

    def _response(self, one: CalibrationSet, saturation_adu: float | None) -> PixelResponse | None:
        frames = used_frames(self._shop.shelf, one)[:2]
        if len(frames) < 2 or not self._bias_levels:
            return None
        rows = [sample_rows(source) for source in self._opened(frames)]
        for values in rows:
            values[values >= (saturation_adu or float("inf"))] = float("nan")
        return pixel_response(rows[0], rows[1], level_adu=self._zero())

    def _zero(self) -> float:
        return sum(self._bias_levels) / len(self._bias_levels) if self._bias_levels else 0.0

    def _sets(self, kind: Kind) -> list[CalibrationSet]:
        return sets_of(self._shop.plan, self._shop.shelf, self._camera, kind)

    def _freed_darks(self) -> list[tuple[CalibrationSet, FinishedMaster, FinishedMaster]]:
        """List the darks whose bias is known."""
        plan, shelf = self._shop.plan, self._shop.shelf
        found = [
            (one, shelf.get(one), bias_under(plan, shelf, one)) for one in self._sets(Kind.DARK)
        ]
        return [
            (one, master, bias)
            for one, master, bias in found
            if master is not None and bias is not None
        ]

    def _opened(self, frames: Sequence[Frame]) -> list[MappedRows]:
        return [MappedRows(self._shop.desk.pixels(frame)) for frame in frames]


def _in_electrons(dark: DarkFacts, numbers: MeasuredCamera | None) -> DarkFacts:
    if numbers is None:
        return dark
    gain = numbers.gain_e_per_adu
    error = ((gain * dark.error_adu_s) ** 2 + (numbers.gain_error * dark.rate_adu_s) ** 2) ** 0.5
    return replace(dark, rate_e_s=gain * dark.rate_adu_s, error_e_s=error)


def _hours(frames: Sequence[Frame]) -> list[float]:
    """Give the times in hours after the first; NaN where unknown."""
    known = [frame.time for frame in frames if frame.time is not None]
    if not known:
        return [float("nan")] * len(frames)
    first = min(known)
    return [
        (frame.time - first).total_seconds() / 3600 if frame.time is not None else float("nan")
        for frame in frames
    ]


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else value
