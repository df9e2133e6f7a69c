"""Gain and read noise of a camera, from the night's own flats and bias frames."""

from collections.abc import Sequence
from itertools import zip_longest

from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.calibration.matching import CalibrationPlan
from stackbench.calibration.phototransfer import MeasuredCamera, measure_camera
from stackbench.calibration.records import CalibrationSet
from stackbench.calibration.rules import cameras_agree
from stackbench.calibration.sets import zero_of
from stackbench.frames.errors import FrameError
from stackbench.frames.pixels import MappedRows
from stackbench.frames.records import CameraSetup, Frame, Kind
from stackbench.job.keys import key_of
from stackbench.job.mastering import FEW_PAIRS
from stackbench.job.pixels import PixelDesk
from stackbench.job.saturation import camera_saturation
from stackbench.job.shelf import FinishedMaster, MasterShelf
from stackbench.job.workshop import Workshop

_MEASURED: TypeAdapter[MeasuredCamera] = TypeAdapter(MeasuredCamera)

Pair = tuple[Frame, Frame]


def camera_numbers(
    shop: Workshop,
    camera: CameraSetup,
    *,
    most_pairs: int = FEW_PAIRS,
) -> MeasuredCamera | None:
    """Measure a camera's gain and read noise.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    camera : CameraSetup
        The camera with its settings.
    most_pairs : int
        How many pairs of flats, and of bias frames, are asked at most.

    Returns
    -------
    MeasuredCamera or None
        None without two flats of one filter and two bias frames.
    """
    bench = shop.bench
    flats, biases = _alike(
        _pairs(shop.plan, shop.shelf, camera, Kind.FLAT),
        _pairs(shop.plan, shop.shelf, camera, Kind.BIAS),
    )
    flats, biases = flats[:most_pairs], biases[:most_pairs]
    if not (flats and biases):
        return None
    saturation = camera_saturation(shop, camera)
    checksums = [shop.found.checksums[frame.path] for pair in (*flats, *biases) for frame in pair]
    key = key_of(__version__, len(flats), checksums, saturation)
    known = bench.store.recall("camera numbers", key)
    if known is not None:
        recalled = known[0]["numbers"]
        return None if recalled is None else _MEASURED.validate_python(recalled)
    try:
        numbers = measure_camera(
            _opened(shop.desk, flats), _opened(shop.desk, biases), saturation_adu=saturation
        )
    except FrameError as error:  # the masters' own problems name the file
        if error.passing:
            return None
        numbers = None
    record = None if numbers is None else _MEASURED.dump_python(numbers, mode="json")
    bench.store.keep("camera numbers", key, {"numbers": record})
    return numbers


def sets_of(
    plan: CalibrationPlan, shelf: MasterShelf, camera: CameraSetup, kind: Kind
) -> list[CalibrationSet]:
    """List the sets of one kind from which a camera's masters were made.

    Parameters
    ----------
    plan : CalibrationPlan
        The sets.
    shelf : MasterShelf
        The finished masters.
    camera : CameraSetup
        The camera with its settings.
    kind : Kind
        Bias, dark, dark-flat or flat.

    Returns
    -------
    list of CalibrationSet
        In the order of the plan.
    """
    return [
        one
        for one in plan.sets
        if one.kind is kind
        and shelf.get(one) is not None
        and cameras_agree(one.setup.camera, camera)
    ]


def bias_under(
    plan: CalibrationPlan, shelf: MasterShelf, dark: CalibrationSet
) -> FinishedMaster | None:
    """Choose the bias that can be taken off a dark.

    Parameters
    ----------
    plan : CalibrationPlan
        The sets.
    shelf : MasterShelf
        The finished masters.
    dark : CalibrationSet
        The dark.

    Returns
    -------
    FinishedMaster or None
        None when there is none of the same camera, settings and zero level.
    """
    zeros = {zero_of(frame) for frame in dark.frames}
    for bias in sets_of(plan, shelf, dark.setup.camera, Kind.BIAS):
        if not zeros or not bias.frames or zero_of(bias.frames[0]) in zeros:
            return shelf.get(bias)
    return None


def used_frames(shelf: MasterShelf, one: CalibrationSet) -> list[Frame]:
    """List the frames of a set that went into its master.

    Parameters
    ----------
    shelf : MasterShelf
        The finished masters.
    one : CalibrationSet
        A set of which there is a master.

    Returns
    -------
    list of Frame
        In order of time; empty for a master of an earlier night.
    """
    master = shelf.get(one)
    used = set() if master is None else set(master.facts.paths)
    return [frame for frame in one.frames if frame.path in used]


def _pairs(
    plan: CalibrationPlan, shelf: MasterShelf, camera: CameraSetup, kind: Kind
) -> list[Pair]:
    """Pair neighbours of equal exposure within each set; the sets take turns."""
    by_set: list[list[Pair]] = []
    for one in sets_of(plan, shelf, camera, kind):
        frames = sorted(used_frames(shelf, one), key=lambda frame: frame.exposure_s or 0.0)
        by_set.append(list(zip(frames[::2], frames[1::2], strict=False)))
    return [pair for turn in zip_longest(*by_set) for pair in turn if pair is not None]


def _opened(desk: PixelDesk, pairs: Sequence[Pair]) -> list[tuple[MappedRows, MappedRows]]:
    return [
        (MappedRows(desk.pixels(first)), MappedRows(desk.pixels(second))) for first, second in pairs
    ]


def _alike(flats: list[Pair], biases: list[Pair]) -> tuple[list[Pair], list[Pair]]:
    """Leave out pairs whose frames cannot be subtracted from the first bias that has flats."""
    zeros = {zero_of(pair[0]) for pair in flats}
    zero = next((zero for pair in biases if (zero := zero_of(pair[0])) in zeros), None)
    return (
        [pair for pair in flats if zero_of(pair[0]) == zero],
        [pair for pair in biases if zero_of(pair[0]) == zero],
    )
