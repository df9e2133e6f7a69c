"""Gain and read noise of a camera, from the night's own flats and bias frames."""

from dataclasses import asdict, dataclass

from stackbench import __version__
from stackbench.calibration.matching import CalibrationPlan
from stackbench.calibration.records import CalibrationSet
from stackbench.calibration.rules import cameras_agree
from stackbench.frames.errors import FrameError
from stackbench.frames.pixels import MappedRows
from stackbench.frames.records import CameraSetup, Frame, Kind
from stackbench.job.bench import Bench
from stackbench.job.finding import Found
from stackbench.job.keys import key_of
from stackbench.job.mastering import MasterShelf
from stackbench.job.pixels import PixelDesk
from stackbench.job.saturation import camera_saturation


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraNumbers:
    """A camera's gain, e⁻/ADU, with its 1σ error, and its read noise, e⁻."""

    gain_e_per_adu: float
    gain_error: float
    read_noise_e: float


def camera_numbers(
    bench: Bench,
    found: Found,
    plan: CalibrationPlan,
    shelf: MasterShelf,
    desk: PixelDesk,
    camera: CameraSetup,
) -> CameraNumbers | None:
    """Measure a camera's gain and read noise.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    found : Found
        The job's frames and checksums.
    plan : CalibrationPlan
        The sets.
    shelf : MasterShelf
        Tells which frames went into the masters: only those are asked.
    desk : PixelDesk
        Gives the frames' pixels.
    camera : CameraSetup
        The camera with its settings.

    Returns
    -------
    CameraNumbers or None
        None without two flats of one filter and two bias frames.
    """
    flats = _pair(plan, shelf, camera, Kind.FLAT)
    biases = _pair(plan, shelf, camera, Kind.BIAS)
    if flats is None or biases is None:
        return None
    saturation = camera_saturation(bench, found, desk, camera)
    checksums = [found.checksums[frame.path] for frame in (*flats, *biases)]
    key = key_of(__version__, checksums, saturation)
    known = bench.store.recall("camera numbers", key)
    if known is None:
        try:
            numbers = _measure(desk, flats, biases, saturation)
        except FrameError as error:  # the masters' own problems name the file
            if error.passing:
                return None
            numbers = None
        record = None if numbers is None else asdict(numbers)
        bench.store.keep("camera numbers", key, {"numbers": record})
        return numbers
    found_before = known[0]["numbers"]
    return None if found_before is None else CameraNumbers(**found_before)


def _measure(
    desk: PixelDesk,
    flats: tuple[Frame, Frame],
    biases: tuple[Frame, Frame],
    saturation: float | None,
) -> CameraNumbers | None:
    from stackbench.calibration.phototransfer import measure_camera

    lit = MappedRows(desk.pixels(flats[0])), MappedRows(desk.pixels(flats[1]))
    unlit = MappedRows(desk.pixels(biases[0])), MappedRows(desk.pixels(biases[1]))
    measured = measure_camera(lit, unlit, saturation_adu=saturation)
    if measured is None:
        return None
    return CameraNumbers(
        gain_e_per_adu=measured.gain_e_per_adu,
        gain_error=measured.gain_error,
        read_noise_e=measured.read_noise_e,
    )


def _pair(
    plan: CalibrationPlan, shelf: MasterShelf, camera: CameraSetup, kind: Kind
) -> tuple[Frame, Frame] | None:
    """Find two frames of one set that went into its master."""
    for one in plan.sets:
        master = shelf.get(one)
        if one.kind is not kind or master is None or not _agrees(one, camera):
            continue
        used = [frame for frame in one.frames if frame.path in set(master.facts.paths)]
        if len(used) >= 2:
            return used[0], used[1]
    return None


def _agrees(one: CalibrationSet, camera: CameraSetup) -> bool:
    return cameras_agree(one.setup.camera, camera)
