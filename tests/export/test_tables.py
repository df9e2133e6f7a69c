"""frames.csv as a script and as a spreadsheet reads it."""

import csv
import math
from pathlib import Path, PurePosixPath

import pytest

from stackbench.export.night import FrameEntry
from stackbench.export.tables import COLUMNS, write_frames_csv
from tests.support.night_records import invented_night


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_one_row_a_frame_with_stable_columns(tmp_path: Path) -> None:
    frames = invented_night(tmp_path).frames
    write_frames_csv(tmp_path / "frames.csv", frames)
    rows = _rows(tmp_path / "frames.csv")
    assert len(rows) == len(frames)
    assert tuple(rows[0]) == COLUMNS
    first, frame = rows[0], frames[0]
    assert first["path"] == frame.path.as_posix()
    assert first["time_utc"] == "2031-02-03T20:05:00.000Z"
    assert float(first["fwhm_px"]) == pytest.approx(frame.fwhm_px, rel=1e-9)
    assert (first["exposure_s"], first["grid_x0_px"], first["grid_y0_px"]) == (
        "300",
        "3.25",
        "-1.5",
    )
    assert first["elongation_deg"] == ""  # NaN is unknown
    assert rows[-1]["verdict"] == rows[-1]["fwhm_px"] == rows[-1]["grid_xx"] == ""
    rejected = [row for row in rows if row["verdict"] == "reject"]
    assert rejected
    assert all("limit" in row["reasons"] for row in rejected)


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", " =", "\r=", "\n=", "＝"])
def test_text_is_never_a_formula(tmp_path: Path, start: str) -> None:
    text = f'{start}HYPERLINK("x";"y"),\n"z"'
    frame = FrameEntry(
        path=PurePosixPath(text), kind="light", target=text, filter=text, reasons=(text, text)
    )
    write_frames_csv(tmp_path / "frames.csv", [frame])
    (row,) = _rows(tmp_path / "frames.csv")
    for column in ("path", "target", "filter", "reasons"):
        assert row[column].startswith("'")
    assert row["target"] == f"'{text}"


def test_negative_numbers_stay_numbers(tmp_path: Path) -> None:
    frame = FrameEntry(
        path=PurePosixPath("/a"), kind="light", temperature_c=-10.5, sky_adu=math.inf, stars=0
    )
    write_frames_csv(tmp_path / "frames.csv", [frame])
    (row,) = _rows(tmp_path / "frames.csv")
    assert (row["temperature_c"], row["sky_adu"], row["stars"]) == ("-10.5", "", "0")


def test_lines_end_as_rfc_4180_says(tmp_path: Path) -> None:
    write_frames_csv(tmp_path / "frames.csv", [])
    assert (tmp_path / "frames.csv").read_bytes() == ",".join(COLUMNS).encode() + b"\r\n"


def test_reasons_are_plain_in_whatever_encoding_they_are_opened(tmp_path: Path) -> None:
    frame = FrameEntry(path=PurePosixPath("/a"), kind="light", reasons=("FWHM 5.1″ at −10 °C",))
    write_frames_csv(tmp_path / "frames.csv", [frame])
    (row,) = _rows(tmp_path / "frames.csv")
    assert row["reasons"] == 'FWHM 5.1" at -10  degC'


def test_measures_with_a_unit_name_it() -> None:
    without = {
        "path", "kind", "filter", "target", "setup", "verdict", "by", "reasons", "sha256", "night",
        # counts and plain ratios
        "eccentricity", "stars", "transparency", "weight", "matched", "concentration", "airmass",
        "cosmic_pixels",
        "grid_xx", "grid_xy", "grid_yx", "grid_yy",
        # the focuser's own steps
        "focus_position",
    }  # fmt: skip
    units = ("_s", "_utc", "_px", "_arcsec", "_deg", "_adu", "_c")
    assert all(column in without or column.endswith(units) for column in COLUMNS)
