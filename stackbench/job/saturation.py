"""From which raw value on a camera's pixels are saturated, told by the frames."""

from stackbench import __version__
from stackbench.frames.errors import FrameError
from stackbench.frames.pixels import MappedRows
from stackbench.frames.records import CameraSetup, Frame, Kind
from stackbench.frames.work import in_threads
from stackbench.job.finding import Found
from stackbench.job.keys import key_of
from stackbench.job.workshop import Workshop

# So many flats and lights are looked at: the level is the camera's own, and
# any frame with a few saturated stars shows it.
_LOOKED_AT = 6


def camera_saturation(shop: Workshop, camera: CameraSetup) -> float | None:
    """Tell from which raw value on a camera's pixels are saturated.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    camera : CameraSetup
        The camera with its settings.

    Returns
    -------
    float or None
        Raw ADU; None when no frame shows saturation.
    """
    bench, found, desk = shop.bench, shop.found, shop.desk
    looked_at = _spread(found, camera, Kind.LIGHT) + _spread(found, camera, Kind.FLAT)
    key = key_of(__version__, [found.checksums[frame.path] for frame in looked_at])
    known = bench.store.recall("saturation", key)
    if known is not None:
        level: float | None = known[0]["level"]
        return level
    from stackbench.calibration.saturation import TopValues, saturation_level, top_values

    def _top(frame: Frame) -> TopValues | FrameError | None:
        try:
            return top_values(MappedRows(desk.pixels(frame)), sampled=frame.kind is Kind.FLAT)
        except FrameError as error:
            return error  # whoever uses the frame itself tells of it

    tops = in_threads(_top, looked_at, threads=bench.threads, stop=bench.stop)
    level = saturation_level([one for one in tops if isinstance(one, TopValues)])
    if not any(isinstance(one, FrameError) and one.passing for one in tops):
        bench.store.keep("saturation", key, {"level": level})
    return level


def _spread(found: Found, camera: CameraSetup, kind: Kind) -> list[Frame]:
    frames = [f for f in found.frames if f.kind is kind and f.setup.camera == camera]
    step = max(1, len(frames) // _LOOKED_AT)
    return frames[::step][:_LOOKED_AT]
