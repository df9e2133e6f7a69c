"""What calibrates each light, put together from the finished masters."""

from collections import OrderedDict
from dataclasses import asdict, replace

import numpy as np

from stackbench.calibration.apply import Calibrator, make_calibrator
from stackbench.calibration.badpixels import bad_pixels
from stackbench.calibration.records import Serving
from stackbench.frames.records import CameraSetup
from stackbench.job.bench import Bench
from stackbench.job.finding import Found
from stackbench.job.mastering import MasterShelf
from stackbench.job.mastermaking import load_master
from stackbench.job.pixels import PixelDesk
from stackbench.job.saturation import camera_saturation

_NO_MASK = np.zeros((0, 0), dtype=np.bool_)

# A calibrator is two frames of float32: the last ones stay in memory, since
# lights that are served alike come one after the other.
_KEPT = 2


class CalibratorDesk:
    """Hands out calibrators; to be asked from one thread.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    found : Found
        The job's frames and checksums.
    shelf : MasterShelf
        The finished masters.
    desk : PixelDesk
        Gives the frames' pixels.
    """

    def __init__(self, bench: Bench, found: Found, shelf: MasterShelf, desk: PixelDesk) -> None:
        self._bench = bench
        self._found = found
        self._shelf = shelf
        self._desk = desk
        self._made: OrderedDict[str, Calibrator] = OrderedDict()

    def calibrator(self, serving: Serving, camera: CameraSetup) -> Calibrator:
        """Give what calibrates the lights that a serving serves.

        Parameters
        ----------
        serving : Serving
            What serves the lights.
        camera : CameraSetup
            The lights' camera.

        Returns
        -------
        Calibrator
            With bad pixels marked and the camera's saturation.
        """
        key = f"{self._shelf.serving_key(serving)} {camera}"
        if key not in self._made:
            while len(self._made) >= _KEPT:
                self._made.popitem(last=False)
            self._made[key] = self._make(serving, camera)
        self._made.move_to_end(key)
        return self._made[key]

    def _make(self, serving: Serving, camera: CameraSetup) -> Calibrator:
        bias, dark, flat = (
            load_master(finished) if finished else None
            for finished in map(self._shelf.get, (serving.bias, serving.dark, serving.flat))
        )
        # a dark whose bias could not be made is subtracted as taken
        dark_scale = serving.dark_scale if bias else None
        bad = bad_pixels(dark=dark, flat=flat, dark_scale=dark_scale)
        record = {"hot": 0, "cold": 0, "dim": 0, "bright": 0, "problems": []}
        if bad is not None:
            record = asdict(replace(bad, mask=_NO_MASK))
            del record["mask"]
        self._bench.store.keep("bad pixels", self._shelf.serving_key(serving), record)
        return make_calibrator(
            bias=bias,
            dark=dark,
            dark_scale=dark_scale,
            flat=flat,
            bad=bad.mask if bad is not None else None,
            saturation_adu=camera_saturation(self._bench, self._found, self._desk, camera),
        )
