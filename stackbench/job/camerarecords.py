"""What a night's calibration frames tell of its cameras, for the diagnosis."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from statistics import median

from stackbench.calibration.records import CalibrationSet
from stackbench.calibration.sets import evening, set_name
from stackbench.frames.records import CameraSetup, Frame, Kind
from stackbench.job.badgrowth import hot_growth
from stackbench.job.camera import bias_under, camera_numbers, sets_of
from stackbench.job.darksignal import dark_signal
from stackbench.job.doubts import stated_gain
from stackbench.job.measuring import MeasuredSub
from stackbench.job.workshop import Workshop
from stackbench.review.camera import CameraRecord, DarkGlow, HotPixels
from stackbench.review.zerolevel import BiasLevels


def camera_records(
    shop: Workshop,
    subs: Mapping[Path, MeasuredSub],
) -> tuple[CameraRecord, ...]:
    """Gather what bias frames and darks tell of the cameras of a night's lights.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    subs : mapping of Path to MeasuredSub
        The measured lights.

    Returns
    -------
    tuple of CameraRecord
        One per camera with its settings, in the order of the lights.
    """
    by_camera: dict[CameraSetup, list[MeasuredSub]] = defaultdict(list)
    for sub in subs.values():
        by_camera[sub.frame.setup.camera].append(sub)
    return tuple(_Gathering(shop, camera, lights).record() for camera, lights in by_camera.items())


class _Gathering:
    """Gathers what is known of one camera."""

    def __init__(self, shop: Workshop, camera: CameraSetup, lights: Sequence[MeasuredSub]) -> None:
        self._shop, self._camera, self._lights = shop, camera, lights

    def record(self) -> CameraRecord:
        return CameraRecord(
            camera=self._camera.camera or "the camera",
            biases=tuple(self._biases()),
            glows=tuple(self._glows()),
            hot=tuple(self._hot()),
        )

    def _biases(self) -> Iterator[BiasLevels]:
        """Give the levels of the bias frames of each evening."""
        for one in self._sets(Kind.BIAS):
            master = self._shop.shelf.get(one)
            if master is None or one.stored is not None:
                continue
            facts = master.facts
            if not facts.frame_levels_adu:  # made before levels were kept
                continue
            levels = dict(zip(facts.paths, facts.frame_levels_adu, strict=True))
            evenings: dict[object, list[Frame]] = defaultdict(list)
            for frame in one.frames:  # in order of time
                if frame.path in levels and frame.time is not None:
                    evenings[evening(frame)].append(frame)
            for night, frames in evenings.items():
                yield BiasLevels(
                    times=tuple(frame.time for frame in frames if frame.time is not None),
                    levels_adu=tuple(levels[frame.path] for frame in frames),
                    temperatures_c=tuple(frame.temperature_c for frame in frames),
                    read_noise_adu=facts.read_noise_adu,
                    lights=tuple(
                        sub.frame.path for sub in self._lights if evening(sub.frame) == night
                    ),
                )

    def _glows(self) -> Iterator[DarkGlow]:
        """Give the glow of the darks that are subtracted as taken from all their lights.

        That of scaled ones is one of the doubts about the calibration.
        """
        for one in self._sets(Kind.DARK):
            dark, lights = self._shop.shelf.get(one), self._served(one)
            bias = bias_under(self._shop.plan, self._shop.shelf, one)
            if (
                dark is None
                or bias is None
                or not lights
                or any(self._scaled(light) for light in lights)
            ):
                continue
            shape = dark_signal(self._shop.bench, self._shop.desk, dark, bias).shape
            if shape is not None:
                yield DarkGlow(
                    dark=set_name(one),
                    glow_adu=shape.glow,
                    error_adu=shape.glow_error,
                    place=shape.glow_place,
                    gain=self._gain(),
                    light_noise_adu=median(sub.measures.noise_adu for sub in lights),
                    lights=tuple(sub.frame.path for sub in lights),
                )

    def _hot(self) -> Iterator[HotPixels]:
        """Give the hot pixels of the darks of which the library has an earlier one."""
        for one in self._sets(Kind.DARK):
            dark = self._shop.shelf.get(one)
            growth = hot_growth(self._shop.bench, one, dark) if dark is not None else None
            if growth is not None:
                yield HotPixels(
                    dark=set_name(one),
                    now=growth.now,
                    before=growth.before,
                    new=growth.new,
                    since=growth.since,
                    warmer_c=growth.warmer_c,
                    lights=tuple(sub.frame.path for sub in self._served(one)),
                )

    def _gain(self) -> float | None:
        numbers = camera_numbers(self._shop, self._camera)
        if numbers is not None:
            return numbers.gain_e_per_adu
        return stated_gain(self._shop.found, self._camera)

    def _served(self, dark: CalibrationSet) -> list[MeasuredSub]:
        return [s for s in self._lights if self._shop.plan.servings[s.frame.path].dark == dark]

    def _scaled(self, light: MeasuredSub) -> bool:
        return self._shop.plan.servings[light.frame.path].dark_scale is not None

    def _sets(self, kind: Kind) -> list[CalibrationSet]:
        return sets_of(self._shop.plan, self._shop.shelf, self._camera, kind)
