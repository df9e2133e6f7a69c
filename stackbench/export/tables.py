"""The table frames.csv: one row per frame, for a spreadsheet or a script."""

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path

from stackbench.export.files import write_text
from stackbench.export.night import FrameEntry, iso_time
from stackbench.export.text import ascii_text

COLUMNS = (
    "path",
    "kind",
    "filter",
    "target",
    "setup",
    "exposure_s",
    "time_utc",
    "verdict",
    "by",
    "reasons",
    "fwhm_px",
    "fwhm_arcsec",
    "eccentricity",
    "elongation_deg",
    "stars",
    "sky_adu",
    "noise_adu",
    "transparency",
    "weight",
    "matched",
    "rms_px",
    "grid_xx",
    "grid_xy",
    "grid_x0_px",
    "grid_yx",
    "grid_yy",
    "grid_y0_px",
    "temperature_c",
    "sha256",
    "concentration",
    "altitude_deg",
    "airmass",
    "hour_angle_deg",
    "sun_altitude_deg",
    "moon_altitude_deg",
    "ambient_temperature_c",
    "focus_position",
    "night",
    "cosmic_pixels",
)
"""The columns, in order; new ones are only ever added at the end."""

# a cell that starts like this is run as a formula by spreadsheets
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def write_frames_csv(path: Path, frames: Sequence[FrameEntry]) -> None:
    """Write the table of all frames.

    UTF-8, commas, a point in decimals; an empty cell means unknown. Text
    that a spreadsheet would run as a formula has an apostrophe before it.

    Parameters
    ----------
    path : Path
        The file to make or to replace.
    frames : sequence of FrameEntry
        One row each, in this order.

    Raises
    ------
    WriteError
        When the system refuses to write.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")  # RFC 4180
    writer.writerow(COLUMNS)
    for frame in frames:
        row = _row(frame)
        writer.writerow([_cell(row[column]) for column in COLUMNS])
    write_text(path, buffer.getvalue())


def _row(frame: FrameEntry) -> dict[str, str | float | None]:
    (xx, xy, x0), (yx, yy, y0) = frame.to_grid[:2] if frame.to_grid else ((None,) * 3,) * 2
    return {
        "path": frame.path.as_posix(),
        "kind": str(frame.kind),
        "time_utc": iso_time(frame.time),
        "verdict": frame.verdict,
        "by": frame.by,
        # spreadsheets that take the file for another encoding spoil ″ and °
        "reasons": ascii_text("; ".join(frame.reasons)),
        "grid_xx": xx,
        "grid_xy": xy,
        "grid_x0_px": x0,
        "grid_yx": yx,
        "grid_yy": yy,
        "grid_y0_px": y0,
        "filter": frame.filter,
        "target": frame.target,
        "setup": frame.setup,
        "exposure_s": frame.exposure_s,
        "fwhm_px": frame.fwhm_px,
        "fwhm_arcsec": frame.fwhm_arcsec,
        "eccentricity": frame.eccentricity,
        "elongation_deg": frame.elongation_deg,
        "stars": frame.stars,
        "sky_adu": frame.sky_adu,
        "noise_adu": frame.noise_adu,
        "transparency": frame.transparency,
        "weight": frame.weight,
        "matched": frame.matched,
        "rms_px": frame.rms_px,
        "temperature_c": frame.temperature_c,
        "sha256": frame.sha256,
        "concentration": frame.concentration,
        "altitude_deg": frame.altitude_deg,
        "airmass": frame.airmass,
        "hour_angle_deg": frame.hour_angle_deg,
        "sun_altitude_deg": frame.sun_altitude_deg,
        "moon_altitude_deg": frame.moon_altitude_deg,
        "ambient_temperature_c": frame.ambient_temperature_c,
        "focus_position": frame.focus_position,
        "night": frame.night,
        "cosmic_pixels": frame.cosmic_pixels,
    }


def _cell(value: str | float | None) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        # blanks before the sign do not stop a spreadsheet
        dangerous = value.startswith(_FORMULA_STARTS) or value.lstrip().startswith(_FORMULA_STARTS)
        return f"'{value}" if dangerous else value
    if isinstance(value, int):
        return str(value)
    # ten digits: more than any of the measures knows, and 300.0 becomes 300
    return f"{value:.10g}" if math.isfinite(value) else ""
