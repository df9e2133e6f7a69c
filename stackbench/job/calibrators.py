"""What calibrates each light, put together from the finished masters."""

from dataclasses import asdict
from typing import Any

from stackbench.calibration.apply import Calibrator, make_calibrator
from stackbench.calibration.badpixels import bad_pixels
from stackbench.calibration.records import Master, Serving
from stackbench.frames.records import CameraSetup
from stackbench.job.mastermaking import load_master
from stackbench.job.saturation import camera_saturation
from stackbench.job.workshop import Workshop


class CalibratorDesk:
    """Hands out calibrators; to be asked from one thread.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    """

    def __init__(self, shop: Workshop) -> None:
        self._shop = shop

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
        key = f"{self._shop.shelf.serving_key(serving)} {camera}"
        return self._shop.desk.calibrators.get(key, lambda: self._make(serving, camera))

    def _make(self, serving: Serving, camera: CameraSetup) -> Calibrator:
        bias, dark, flat = map(self._shop.shelf.get, (serving.bias, serving.dark, serving.flat))
        # a dark whose bias could not be made is subtracted as taken
        dark_scale = serving.dark_scale if bias else None
        if dark is not None and dark_scale is None:
            bias = None  # it is inside the dark
        return self._put_together(
            serving,
            camera,
            *(load_master(self._shop.desk, one) if one else None for one in (bias, dark, flat)),
            dark_scale=dark_scale,
        )

    def _put_together(
        self,
        serving: Serving,
        camera: CameraSetup,
        bias: Master | None,
        dark: Master | None,
        flat: Master | None,
        *,
        dark_scale: float | None,
    ) -> Calibrator:
        bad = bad_pixels(dark=dark, flat=flat, dark_scale=dark_scale)
        record: dict[str, Any] = {"dark": 0, "flat": 0, "problems": []}
        if bad is not None:
            record = {
                "dark": bad.dark.total,
                "flat": bad.flat.total,
                "problems": [asdict(problem) for problem in bad.problems],
            }
        self._shop.bench.store.keep("bad pixels", self._shop.shelf.serving_key(serving), record)
        return make_calibrator(
            bias=bias,
            dark=dark,
            dark_scale=dark_scale,
            flat=flat,
            bad=bad.mask if bad is not None else None,
            saturation_adu=camera_saturation(self._shop, camera),
        )
