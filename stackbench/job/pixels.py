"""Pixels ready to be read by rows, decoded to scratch where a file needs it."""

import threading
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from stackbench.calibration.overscan import corrected_scratch, needs_overscan
from stackbench.export.files import explained
from stackbench.frames.errors import FrameError
from stackbench.frames.pixels import PixelFile, pixel_file
from stackbench.frames.records import Frame
from stackbench.frames.scratch import decode_to_scratch
from stackbench.job.recent import Recent

if TYPE_CHECKING:
    from stackbench.calibration.apply import Calibrator
    from stackbench.calibration.records import Master


class PixelDesk:
    """Hands out the pixels of frames; safe to share by threads.

    Compressed frames, and those with an overscan, are decoded to a scratch
    folder when they are first asked for, and stay there until released.
    `calibrators` and `masters` keep those that were used last.

    Parameters
    ----------
    scratch : Path
        The folder; made when it is needed.
    """

    def __init__(self, scratch: Path) -> None:
        self._scratch = scratch
        self._lock = threading.Lock()
        self._frame_locks: dict[Path, threading.Lock] = {}
        self._decoded: dict[Path, PixelFile] = {}
        # a calibrator is two frames of float32, and lights that are served alike
        # come one after the other; a dark serves several flats, made two at a time
        self.calibrators: Recent[Calibrator] = Recent(2)
        self.masters: Recent[Master] = Recent(3)

    def pixels(self, frame: Frame) -> PixelFile:
        """Give a frame's pixels, decoded first where that is needed.

        Parameters
        ----------
        frame : Frame
            The frame.

        Returns
        -------
        PixelFile
            What can be read by rows.

        Raises
        ------
        FrameError
            If the file cannot be decoded.
        WriteError
            If the scratch folder cannot be written.
        """
        mapped = pixel_file(frame)
        if mapped is not None and not needs_overscan(frame):
            return mapped
        with self._lock:
            frame_lock = self._frame_locks.setdefault(frame.path, threading.Lock())
        with frame_lock:
            if frame.path not in self._decoded:
                try:
                    self._decoded[frame.path] = self._decode(frame, mapped)
                except FrameError:
                    raise
                except OSError as error:
                    raise explained(self._scratch, error) from error
            return self._decoded[frame.path]

    def release(self, frames: Iterable[Frame]) -> None:
        """Remove what was decoded of frames that are not needed soon.

        Parameters
        ----------
        frames : iterable of Frame
            Frames that nothing reads any more.
        """
        for frame in frames:
            with self._lock:
                decoded = self._decoded.pop(frame.path, None)
            if decoded is not None:
                decoded.path.unlink(missing_ok=True)

    def forget(self) -> None:
        """Let go of masters and calibrators, which take much memory."""
        self.calibrators.clear()
        self.masters.clear()

    def _decode(self, frame: Frame, mapped: PixelFile | None) -> PixelFile:
        self._scratch.mkdir(exist_ok=True)
        raw = mapped or decode_to_scratch(frame, self._scratch)
        if not needs_overscan(frame):
            return raw
        trimmed = corrected_scratch(frame, raw, self._scratch)
        if mapped is None:
            raw.path.unlink()
        return trimmed
