"""Sort calibration frames into the sets from which masters are made."""

from collections import defaultdict
from collections.abc import Hashable, Iterable, Sequence
from datetime import date, datetime, timedelta
from statistics import median

from stackbench.calibration.overscan import image_area
from stackbench.calibration.records import CalibrationSet
from stackbench.frames.records import CameraSetup, Frame, Kind
from stackbench.frames.words import celsius, seconds

TIMED = (Kind.DARK, Kind.DARK_FLAT)
"""The kinds whose exposure and temperature matter."""

# Darks whose sensor temperatures lie closer than this belong together: a
# regulated cooler holds its set point to a few tenths of a degree
# (common practice, no source).
_TEMPERATURE_GAP_C = 1.0

# Flats whose rotator stood further apart than this do not belong together
# (common practice, no source).
_ROTATION_GAP_DEG = 1.0

# What a flat is freed of is made before it.
_ORDER = (Kind.BIAS, Kind.DARK, Kind.DARK_FLAT, Kind.FLAT)

# Dark-flats follow the flats' exposures, which vary through twilight.
_EXPOSURE_DIGITS = 3


def calibration_sets(frames: Iterable[Frame]) -> tuple[CalibrationSet, ...]:
    """Sort the calibration frames among `frames` into sets.

    Bias frames go together by camera setup; darks and dark-flats also by
    exposure and sensor temperature; flats by the whole setup, filter, night
    and rotation. The filter of bias and dark frames is ignored: what the header says
    there is only where the wheel happened to stand.

    Parameters
    ----------
    frames : iterable of Frame
        Frames of any kind; lights and unknown ones are passed over.

    Returns
    -------
    tuple of CalibrationSet
        In order of kind, setup, filter, exposure and temperature; the frames
        of each in order of time and path.
    """
    groups: dict[Hashable, list[Frame]] = defaultdict(list)
    for frame in sorted(frames, key=_by_time):
        match frame.kind:
            case Kind.BIAS:
                groups[frame.kind, _camera_key(frame.setup.camera), zero_of(frame)].append(frame)
            case Kind.DARK | Kind.DARK_FLAT:
                exposure = _rounded(frame.exposure_s)
                camera = _camera_key(frame.setup.camera)
                groups[frame.kind, camera, zero_of(frame), exposure].append(frame)
            case Kind.FLAT:
                key = (frame.kind, frame.setup, frame.filter, evening(frame), zero_of(frame))
                groups[key].append(frame)
            case _:
                pass
    sets: list[CalibrationSet] = []
    for members in groups.values():
        kind = members[0].kind
        match kind:
            case Kind.DARK | Kind.DARK_FLAT:
                parts = _by_temperature(members)
            case Kind.FLAT:
                parts = _by_rotation(members)
            case _:
                parts = [members]
        sets.extend(_set_of(part) for part in parts)
    return tuple(sorted(sets, key=_set_order))


def evening(frame: Frame) -> date | None:
    """Tell the date of the evening on which the night of a frame began.

    Parameters
    ----------
    frame : Frame
        Its time is UTC; its site's longitude, where known, gives local time.

    Returns
    -------
    date or None
        The local date twelve hours before, so that all frames from noon to
        noon share one, by UTC where the site is unknown; None when the time is.
    """
    if frame.time is None:
        return None
    east_hours = frame.site.longitude_deg / 15 if frame.site is not None else 0.0
    return (frame.time + timedelta(hours=east_hours - 12)).date()


def zero_of(frame: Frame) -> Hashable:
    """Tell what shifts a frame's zero level, or cuts it.

    Parameters
    ----------
    frame : Frame
        Any frame.

    Returns
    -------
    hashable
        Equal for frames that may be subtracted from one another.
    """
    return image_area(frame), frame.pedestal_adu or 0.0


def set_name(one: CalibrationSet) -> str:
    """Name a set in a sentence.

    Parameters
    ----------
    one : CalibrationSet
        The set.

    Returns
    -------
    str
        For example "flat Ha" or "dark 300 s −10.0 °C".
    """
    return master_title(
        one.kind,
        filter_name=one.filter,
        exposure_s=one.exposure_s,
        temperature_c=one.temperature_c,
    )


def master_title(
    kind: Kind,
    *,
    filter_name: str | None,
    exposure_s: float | None,
    temperature_c: float | None,
) -> str:
    """Name a master, or the frames for it, in a sentence.

    Parameters
    ----------
    kind : Kind
        Of the frames.
    filter_name : str or None
        The filter's name.
    exposure_s, temperature_c : float or None
        Left out where they do not tell frames of this kind apart.

    Returns
    -------
    str
        For example "flat Ha" or "dark 300 s −10.0 °C".
    """
    parts = [str(kind)]
    if filter_name is not None:
        parts.append(filter_name)
    if exposure_s is not None and kind in TIMED:
        parts.append(seconds(exposure_s))
    if temperature_c is not None and kind in TIMED:
        parts.append(celsius(temperature_c))
    return " ".join(parts)


def _set_of(frames: Sequence[Frame]) -> CalibrationSet:
    first = frames[0]
    exposures = [f.exposure_s for f in frames if f.exposure_s is not None]
    temperatures = [f.temperature_c for f in frames if f.temperature_c is not None]
    return CalibrationSet(
        kind=first.kind,
        setup=first.setup,
        frames=tuple(frames),
        filter=first.filter if first.kind is Kind.FLAT else None,
        exposure_s=median(exposures) if exposures else None,
        temperature_c=median(temperatures) if temperatures else None,
        night=evening(first),
        rotator_deg=first.rotator_deg if first.kind is Kind.FLAT else None,
    )


def _by_temperature(frames: Sequence[Frame]) -> list[list[Frame]]:
    """Split where neighbours in temperature lie further apart than the gap."""
    unknown = [f for f in frames if f.temperature_c is None]
    known = sorted(
        (f for f in frames if f.temperature_c is not None), key=lambda f: f.temperature_c or 0.0
    )
    parts: list[list[Frame]] = []
    last = 0.0
    for frame in known:
        temperature = frame.temperature_c or 0.0
        if not parts or temperature - last > _TEMPERATURE_GAP_C:
            parts.append([])
        parts[-1].append(frame)
        last = temperature
    if unknown:
        parts.append(unknown)
    return [sorted(part, key=_by_time) for part in parts]


def _by_rotation(frames: Sequence[Frame]) -> list[list[Frame]]:
    """Split flats where the rotator was turned between them, in order of time."""
    parts: list[list[Frame]] = []
    for frame in frames:
        for part in parts:
            if _stands_alike(part[0].rotator_deg, frame.rotator_deg):
                part.append(frame)
                break
        else:
            parts.append([frame])
    return parts


def _stands_alike(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    turn = abs(one - other) % 360
    return min(turn, 360 - turn) <= _ROTATION_GAP_DEG


def _camera_key(camera: CameraSetup) -> Hashable:
    name = camera.camera.casefold() if camera.camera is not None else None
    return (
        name,
        camera.binning,
        camera.gain_setting,
        camera.offset_setting,
        camera.read_mode,
        camera.shape,
    )


def _rounded(exposure_s: float | None) -> float | None:
    return None if exposure_s is None else round(exposure_s, _EXPOSURE_DIGITS)


def _by_time(frame: Frame) -> tuple[bool, datetime | None, str]:
    # the flag keeps a missing time from being compared with a known one
    if frame.time is None:
        return (True, None, frame.path.as_posix())
    return (False, frame.time, frame.path.as_posix())


def _set_order(s: CalibrationSet) -> tuple[str, ...]:
    return (
        str(_ORDER.index(s.kind)),
        repr(_camera_key(s.setup.camera)),
        s.setup.telescope or "",
        f"{s.setup.focal_length_mm or 0:012.3f}",
        s.filter or "",
        f"{s.exposure_s or 0:012.3f}",
        f"{(s.temperature_c or 0) + 300:08.2f}",
        s.frames[0].path.as_posix(),
    )
