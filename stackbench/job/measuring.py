"""The third step: measure every light, or recall what was measured before."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.calibration.matching import CalibrationPlan
from stackbench.calibration.records import Serving
from stackbench.frames.errors import FrameError
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.room import Room
from stackbench.frames.work import in_threads
from stackbench.job.bench import Bench
from stackbench.job.compiling import AFTER_MASTERS
from stackbench.job.finding import Found
from stackbench.job.keys import key_of
from stackbench.job.pixels import PixelDesk
from stackbench.job.progress import Step
from stackbench.job.residues import keep_residue, looked_at
from stackbench.job.saturation import camera_saturation
from stackbench.job.shelf import MasterShelf
from stackbench.job.workshop import Workshop
from stackbench.stars.records import FrameMeasures, StarTable

if TYPE_CHECKING:
    from stackbench.job.calibrators import CalibratorDesk

_PROBLEMS: TypeAdapter[list[Problem]] = TypeAdapter(list[Problem])
_COLUMNS = tuple(field.name for field in fields(StarTable))


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSub:
    """A light that was measured; `key` stands for all that the measures depend on."""

    frame: Frame
    key: str
    measures: FrameMeasures


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The measured lights by path, and problems of those that could not be read."""

    subs: Mapping[Path, MeasuredSub]
    problems: tuple[Problem, ...]


def measure_lights(
    shop: Workshop,
) -> Measured:
    """Measure every light of a job.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.

    Returns
    -------
    Measured
        Subs in the order of the frames.
    """
    bench, found, plan = shop.bench, shop.found, shop.plan
    lights = [frame for frame in found.frames if frame.kind is Kind.LIGHT]
    # other frames of the camera tell from where on pixels are saturated
    saturated_from = {
        camera: camera_saturation(shop, camera)
        for camera in {light.setup.camera: None for light in lights}
    }
    keys = {
        light.path: _key(bench, found, plan, shop.shelf, light, saturated_from[light.setup.camera])
        for light in lights
    }
    subs: dict[Path, MeasuredSub] = {}
    for light in lights:
        known = bench.store.recall("measures", keys[light.path])
        if known is not None:
            measures = _unpacked(*known)
            subs[light.path] = MeasuredSub(frame=light, key=keys[light.path], measures=measures)
    missing = [light for light in lights if light.path not in subs]
    problems: list[Problem] = []
    if missing:
        from stackbench.job.calibrators import CalibratorDesk

        calibrators = CalibratorDesk(shop)
        for light, outcome in _measure(bench, plan, shop.desk, calibrators, missing, keys):
            if isinstance(outcome, Problem):
                problems.append(outcome)
                continue
            subs[light.path] = MeasuredSub(frame=light, key=keys[light.path], measures=outcome)
    noticed: dict[Problem, None] = {}
    for serving in {plan.servings[light.path]: None for light in lights}:
        noticed.update(dict.fromkeys(_bad_pixel_problems(bench, shop.shelf, serving)))
    return Measured(
        subs={light.path: subs[light.path] for light in lights if light.path in subs},
        problems=(*noticed, *problems),
    )


def _bad_pixel_problems(bench: Bench, shelf: MasterShelf, serving: Serving) -> list[Problem]:
    """Recall what was noticed about bad pixels when a calibrator was made."""
    known = bench.store.recall("bad pixels", shelf.serving_key(serving))
    return [] if known is None else _PROBLEMS.validate_python(known[0]["problems"])


def _measure(
    bench: Bench,
    plan: CalibrationPlan,
    desk: PixelDesk,
    calibrators: "CalibratorDesk",
    lights: Sequence[Frame],
    keys: Mapping[Path, str],
) -> list[tuple[Frame, FrameMeasures | Problem]]:
    from stackbench.calibration.apply import Calibrator, calibrate_frame
    from stackbench.calibration.blank import single_value
    from stackbench.frames.pixels import MappedRows
    from stackbench.stars.median import median_in_place
    from stackbench.stars.quality import measure_frame

    bench.compiling.wait("stars")
    bench.compiling.begin(bench.progress, median_in_place, "rejection", *AFTER_MASTERS[1:])

    def _work() -> Iterator[tuple[Frame, Calibrator]]:
        # lights that are served alike come together, so that few calibrators
        # are in memory at a time
        order = {serving: n for n, serving in enumerate(dict.fromkeys(plan.servings.values()))}
        for light in sorted(lights, key=lambda one: order[plan.servings[one.path]]):
            serving = plan.servings[light.path]
            yield light, calibrators.calibrator(serving, light.setup.camera)

    uneven = looked_at(plan, lights)
    room = Room()

    def _measure_one(item: tuple[Frame, Calibrator]) -> tuple[Frame, FrameMeasures | Problem]:
        light, calibrator = item
        try:
            pixels = desk.pixels(light)
            value = single_value(MappedRows(pixels))
            if value is not None:
                return light, _blank(light, value)
            calibrated = calibrate_frame(pixels, calibrator, room=room)
        except FrameError as error:
            return light, error.problem
        measures = measure_frame(
            calibrated.data, saturated=calibrated.saturated, options=bench.settings.stars
        )
        # kept at once, so that a job that is stopped loses none
        if light.path in uneven:
            keep_residue(bench, keys[light.path], calibrated.data, calibrator.multiply)
        bench.store.keep("measures", keys[light.path], *_packed(measures))
        return light, measures

    bench.progress.begin(Step.MEASURE, len(lights))
    outcomes = in_threads(
        _measure_one,
        _work(),
        threads=bench.threads,
        stop=bench.stop,
        tick=lambda: bench.progress.advance(Step.MEASURE),
    )
    bench.progress.end(Step.MEASURE)
    return outcomes


def _blank(light: Frame, value: float) -> Problem:
    return Problem(
        path=light.path,
        what="Nothing can be seen on the light",
        why="None of its pixels is defined."
        if math.isnan(value)
        else f"All of its pixels have the value {value:g}, as when they are saturated"
        " or were never read out.",
        remedy="Delete it; if others are like it, check exposure and camera.",
    )


def _key(
    bench: Bench,
    found: Found,
    plan: CalibrationPlan,
    shelf: MasterShelf,
    light: Frame,
    saturation_adu: float | None,
) -> str:
    return key_of(
        __version__,
        found.checksums[light.path],
        shelf.serving_key(plan.servings[light.path]),
        bench.settings.stars,
        saturation_adu,
    )


def _packed(measures: FrameMeasures) -> tuple[dict[str, float | int], bytes]:
    """Part measures into numbers for a record and the star table's bytes."""
    numbers = {
        field.name: getattr(measures, field.name)
        for field in fields(measures)
        if field.name != "stars"
    }
    table = np.stack([getattr(measures.stars, name) for name in _COLUMNS])
    return numbers, table.astype("<f8").tobytes()


def _unpacked(numbers: Mapping[str, Any], table: bytes | None) -> FrameMeasures:
    columns = np.frombuffer(table or b"", dtype="<f8").reshape(len(_COLUMNS), -1)
    stars = StarTable(**dict(zip(_COLUMNS, columns.astype(np.float64), strict=True)))
    return FrameMeasures(stars=stars, **numbers)
