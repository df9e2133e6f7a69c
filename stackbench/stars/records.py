"""What is measured in one frame: its background, its stars, its quality."""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureOptions:
    """How a frame is measured.

    `box_px` is the side of a background box, pixels: it must be several times
    a star's diameter. `detect_snr` is the least signal-to-noise ratio of a
    detected star and `count_snr` the fixed limit of the star count, both
    against the noise of the background alone. At most `max_stars` are listed
    and at most `max_fitted` of them get a fitted shape. With fewer than
    `min_stars` fitted shapes the frame's shape is unknown (NaN).
    """

    box_px: int = 64
    detect_snr: float = 6.0
    count_snr: float = 10.0
    max_stars: int = 500
    max_fitted: int = 300
    min_stars: int = 5

    def __post_init__(self) -> None:
        if self.box_px < 16:
            raise ValueError(f"box_px must be at least 16, got {self.box_px}")
        if not 3.0 <= self.detect_snr <= self.count_snr:
            raise ValueError(
                "need 3 <= detect_snr <= count_snr, "
                f"got detect_snr {self.detect_snr:g}, count_snr {self.count_snr:g}"
            )
        if min(self.max_stars, self.max_fitted, self.min_stars) < 1:
            raise ValueError("max_stars, max_fitted and min_stars must be at least 1")


@dataclass(frozen=True, slots=True, kw_only=True)
class BackgroundMesh:
    """The background of a frame, on a coarse mesh of equal boxes.

    `sky` and `noise` (1σ of one pixel) are float64 (my, mx), ADU, one value
    per box; they are NaN only where the whole frame is undefined. `shape` is
    the frame's (ny, nx). Box (j, i) is centred on the pixel coordinates
    x = (i + 1/2)·nx/mx − 1/2, y = (j + 1/2)·ny/my − 1/2.
    """

    sky: Floats
    noise: Floats
    shape: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class StarTable:
    """The stars of a frame, brightest first; float64 arrays of equal length.

    `x`, `y` are 0-based pixel coordinates; `flux` is the total flux, ADU;
    `peak` the brightest pixel above the sky, ADU; `snr` the signal-to-noise
    ratio against the noise of the background. `fwhm_px` (geometric mean of
    the two axes), `eccentricity` and `angle_deg` (major axis, from +x towards
    +y, 0 to 180) are those of the star's fitted profile, NaN where no shape
    was fitted. A single star's eccentricity is not freed of noise.
    """

    x: Floats
    y: Floats
    flux: Floats
    peak: Floats
    snr: Floats
    fwhm_px: Floats
    eccentricity: Floats
    angle_deg: Floats

    def __post_init__(self) -> None:
        lengths = {getattr(self, field.name).shape for field in fields(self)}
        if len(lengths) != 1 or len(next(iter(lengths))) != 1:
            raise ValueError(f"star columns must be 1-D and of equal length, got {lengths}")

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameMeasures:
    """One frame's quality, from its background and its stars.

    Unknown values are NaN; `count` is then still right (0 if nothing was
    found). `sky_adu` and `noise_adu` are the level and the 1σ noise of one
    pixel of the background. `fwhm_px` is the median over the stars of the
    geometric mean of the two axes' full widths at half maximum, of the
    profile as recorded (integrated over pixels). `eccentricity` is
    √(1 − (b/a)²) of the typical star, freed of the bias by noise.
    `elongation_deg` is the direction that the stars have in common, from the
    +x axis towards +y, 0 to 180, and `elongation_concentration` how much of
    the eccentricity is common: 1 when all stars are elongated in the same
    direction (tracking), near 0 when directions differ (optics) or all are
    round. `count` is the number of stars above the fixed limit. `beta` is the
    Moffat exponent that the stars share (Gaussian stars: above 10).
    """

    sky_adu: float
    noise_adu: float
    fwhm_px: float
    eccentricity: float
    elongation_deg: float
    elongation_concentration: float
    count: int
    beta: float
    stars: StarTable
