"""What frames are compared by when calibration frames are matched: the traits.

How far a trait may differ, and what follows beyond, is said in `rules`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from stackbench.calibration.overscan import image_area
from stackbench.calibration.records import CalibrationSet
from stackbench.calibration.sets import evening
from stackbench.frames.records import CameraSetup, Frame
from stackbench.frames.words import celsius, counted, seconds

# Shutters and clocks are good to a millisecond.
_SAME_SECONDS = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Trait:
    """One thing in which two frames may differ.

    `of_frame` and `of_set` read it, None where it is unknown. `gap` measures
    how far two known values lie apart, 0 for equal; `cost`, where it is given,
    replaces the gap when candidates beyond the tolerance are compared. `words`
    names a value. `of_camera` reads it where it is one of the camera's.
    """

    name: str
    of_frame: Callable[[Frame], object]
    of_set: Callable[[CalibrationSet], object]
    gap: Callable[[object, object], float]
    words: Callable[[object], str] = str
    cost: Callable[[object, object], float] | None = None
    of_camera: Callable[[CameraSetup], object] | None = None


def _equal(one: object, other: object) -> float:
    return 0.0 if one == other else math.inf


def _apart(one: object, other: object) -> float:
    return abs(_number(one) - _number(other))


def _share_apart(one: object, other: object) -> float:
    apart = max(0.0, _apart(one, other) - _SAME_SECONDS)
    return apart / max(_number(one), _number(other)) if apart else 0.0


def _turned(one: object, other: object) -> float:
    # Rotators that tell the angle on the sky jump by 180° when the mount crosses
    # the meridian, though nothing was turned.
    turn = _apart(one, other) % 180
    return min(turn, 180 - turn)


def _exposure_cost(frame_s: object, set_s: object) -> float:
    """Scaling a longer dark down lowers its noise, scaling up raises it."""
    ratio = math.log(_number(set_s) / _number(frame_s))
    return ratio if ratio > 0 else -3 * ratio


def _number(value: object) -> float:
    if not isinstance(value, (int, float)):
        raise TypeError(f"a number was expected, not {value!r}")
    return float(value)


def _folded(text: str | None) -> str | None:
    return None if text is None else " ".join(text.casefold().split())


def _size(value: object) -> str:
    ny, nx = value if isinstance(value, tuple) else (0, 0)
    return f"{nx} × {ny} pixels"


def _binned(value: object) -> str:
    x, y = value if isinstance(value, tuple) else (1, 1)
    return f"binning {x}×{y}"


def _area_words(value: object) -> str:
    area, overscan = value if isinstance(value, tuple) else (None, False)
    said = "the whole frame"
    if area is not None:
        y0, y1, x0, x1 = area
        said = f"the image area [{x0 + 1}:{x1},{y0 + 1}:{y1}]"
    return f"{said} {'with' if overscan else 'without'} overscan"


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _night(frame: Frame) -> float | None:
    night = evening(frame)
    return None if night is None else float(night.toordinal())


def _positive(value: float | None) -> float | None:
    return value if value else None


def _camera_trait(
    name: str,
    read: Callable[[CameraSetup], object],
    words: Callable[[object], str] = str,
) -> Trait:
    return Trait(
        name=name,
        of_frame=lambda frame: read(frame.setup.camera),
        of_set=lambda one: read(one.setup.camera),
        gap=_equal,
        words=words,
        of_camera=read,
    )


SHAPE = _camera_trait("frame size", lambda camera: camera.shape, _size)
BINNING = _camera_trait("binning", lambda camera: camera.binning, _binned)
CAMERA = _camera_trait("camera", lambda camera: _folded(camera.camera))
GAIN = _camera_trait(
    "gain setting", lambda camera: camera.gain_setting, lambda v: f"gain setting {_plain(v)}"
)
OFFSET = _camera_trait(
    "offset setting", lambda camera: camera.offset_setting, lambda v: f"offset setting {_plain(v)}"
)
READ_MODE = _camera_trait(
    "read mode", lambda camera: _folded(camera.read_mode), lambda v: f"read mode {v}"
)
AREA = Trait(
    name="image area",
    of_frame=image_area,
    of_set=lambda s: image_area(s.frames[0]) if s.frames else None,
    gap=_equal,
    words=_area_words,
)
PEDESTAL = Trait(
    name="pedestal",
    of_frame=lambda f: f.pedestal_adu or 0.0,
    of_set=lambda s: (s.frames[0].pedestal_adu or 0.0) if s.frames else None,
    gap=_equal,
    words=lambda value: f"pedestal {_plain(value)} ADU",
)
TELESCOPE = Trait(
    name="telescope",
    of_frame=lambda f: _folded(f.setup.telescope),
    of_set=lambda s: _folded(s.setup.telescope),
    gap=_equal,
    words=lambda value: f"telescope {value}",
)
FOCAL_LENGTH = Trait(
    name="focal length",
    of_frame=lambda f: f.setup.focal_length_mm,
    of_set=lambda s: s.setup.focal_length_mm,
    gap=_share_apart,
    words=lambda value: f"focal length {_plain(value)} mm",
)
FILTER = Trait(
    name="filter",
    of_frame=lambda f: f.filter,
    of_set=lambda s: s.filter,
    gap=_equal,
    words=lambda value: f"filter {value}",
)
ROTATION = Trait(
    name="rotation",
    of_frame=lambda f: f.rotator_deg,
    of_set=lambda s: s.rotator_deg,
    gap=_turned,
    words=lambda value: f"rotator at {_plain(value)}°",
)
EXPOSURE = Trait(
    name="exposure",
    of_frame=lambda f: _positive(f.exposure_s),
    of_set=lambda s: _positive(s.exposure_s),
    gap=_share_apart,
    words=lambda value: seconds(_number(value)),
    cost=_exposure_cost,
)
TEMPERATURE = Trait(
    name="sensor temperature",
    of_frame=lambda f: f.temperature_c,
    of_set=lambda s: s.temperature_c,
    gap=_apart,
    words=lambda value: celsius(_number(value)),
)
NIGHT = Trait(
    name="night",
    of_frame=_night,
    of_set=lambda s: None if s.night is None else float(s.night.toordinal()),
    gap=_apart,
    words=lambda value: counted(round(_number(value)), "day"),
)
