"""night.json keeps its contract."""

import json
import math
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import numpy as np
import pytest

from stackbench.export.night import (
    ChannelFiles,
    FrameEntry,
    MasterEntry,
    Night,
    ProblemEntry,
    StackEntry,
    iso_time,
    night_json,
    write_night,
)
from stackbench.frames.records import Kind
from tests.support.night_records import invented_night

_NUMBER = (int, float, type(None))
_TEXT = (str, type(None))
# the published contract, schema 1: key to the types its value may have
FRAME = {
    "path": str, "kind": str, "filter": _TEXT, "target": _TEXT, "setup": _TEXT,
    "exposure_s": _NUMBER, "time": _TEXT, "verdict": _TEXT, "by": _TEXT, "reasons": list,
    "fwhm_px": _NUMBER, "eccentricity": _NUMBER, "elongation_deg": _NUMBER,
    "stars": (int, type(None)), "sky_adu": _NUMBER, "noise_adu": _NUMBER,
    "transparency": _NUMBER, "weight": _NUMBER, "to_grid": (list, type(None)),
    "matched": (int, type(None)), "rms_px": _NUMBER,
}  # fmt: skip
MASTER = {
    "kind": str, "filter": _TEXT, "setup": _TEXT, "exposure_s": _NUMBER,
    "temperature_c": _NUMBER, "path": str, "frames": list, "rejected_pixels": (int, type(None)),
    "read_noise_e": _NUMBER, "gain_e_per_adu": _NUMBER,
}  # fmt: skip
STACK = {
    "target": _TEXT, "setup": _TEXT, "filter": _TEXT, "path": str, "channel": dict,
    "frames": list, "exposure_s": _NUMBER, "noise_adu": _NUMBER, "fwhm_px": _NUMBER,
    "shape": list,
}  # fmt: skip
PROBLEM = {"path": _TEXT, "what": str, "why": str, "remedy": str}


def _assert_keeps(entries: list[dict[str, Any]], contract: dict[str, Any]) -> None:
    assert entries
    for entry in entries:
        assert set(contract) <= set(entry)
        for key, types in contract.items():
            assert isinstance(entry[key], types), (key, entry[key])


def test_every_key_is_there_with_its_type(tmp_path: Path) -> None:
    write_night(tmp_path / "night.json", invented_night(tmp_path))
    night = json.loads((tmp_path / "night.json").read_text(encoding="utf-8"))
    assert night["schema"] == 1
    assert night["written"] == "2031-02-04T09:30:00.000Z"
    _assert_keeps(night["frames"], FRAME)
    _assert_keeps(night["masters"], MASTER)
    _assert_keeps(night["stacks"], STACK)
    _assert_keeps(night["problems"], PROBLEM)
    assert {frame["verdict"] for frame in night["frames"]} == {"keep", "reject", None}
    assert {frame["by"] for frame in night["frames"]} <= {"rule", "hand", None}
    assert night["frames"][0]["to_grid"] == [[1, 0, 3.25], [0, 1, -1.5], [0, 0, 1]]
    assert set(night["stacks"][0]["channel"]) == {"fits", "tif", "png"}
    assert night["stacks"][0]["shape"] == [400, 600]


def test_the_least_entries_have_every_key_too(tmp_path: Path) -> None:
    path = PurePosixPath("/a.fits")
    night = night_json(
        Night(
            out=tmp_path,
            frames=(FrameEntry(path=path, kind=Kind.DARK_FLAT),),
            masters=(MasterEntry(kind="bias", path=path, frames=()),),
            stacks=(
                StackEntry(
                    target=None, setup=None, filter=None, path=path, frames=(), shape=(1, 2)
                ),
            ),
            problems=(ProblemEntry(what="a", why="b", remedy="c"),),
        )
    )
    _assert_keeps(night["frames"], FRAME)
    _assert_keeps(night["masters"], MASTER)
    _assert_keeps(night["stacks"], STACK)
    _assert_keeps(night["problems"], PROBLEM)
    frame = night["frames"][0]
    assert frame["kind"] == "dark-flat"
    assert type(frame["kind"]) is str
    # unknown is null, never 0
    assert all(frame[key] is None for key in FRAME if key not in ("path", "kind", "reasons"))
    assert night["stacks"][0]["channel"] == {"fits": None, "tif": None, "png": None}


def test_products_are_relative_and_raw_frames_absolute(tmp_path: Path) -> None:
    night = night_json(invented_night(tmp_path))
    assert night["masters"][0]["path"] == "masters/dark_300s.fits"
    assert night["stacks"][0]["channel"]["tif"] == "channels/L.tif"
    assert night["frames"][0]["path"] == "/data/night one/light_000.fits"
    assert night["masters"][0]["frames"][0] == "/data/night one/dark_000.fits"


def test_windows_paths_are_spelled_with_slashes(tmp_path: Path) -> None:
    entry = FrameEntry(path=PureWindowsPath(r"C:\night\a.fits"), kind="light")
    assert night_json(Night(out=tmp_path, frames=(entry,)))["frames"][0]["path"] == (
        "C:/night/a.fits"
    )


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, np.float32("nan")])
def test_what_is_no_number_is_null(tmp_path: Path, value: float) -> None:
    entry = FrameEntry(
        path=PurePosixPath("/a"), kind="light", fwhm_px=value, to_grid=((value, 0, 0),) * 3
    )
    night = Night(out=tmp_path, frames=(entry,), settings={"deep": {"er": [value, 1]}})
    write_night(tmp_path / "night.json", night)
    read = json.loads(
        (tmp_path / "night.json").read_text(encoding="utf-8"), parse_constant=pytest.fail
    )
    assert read["frames"][0]["fwhm_px"] is None
    assert read["frames"][0]["to_grid"][0] == [None, 0, 0]
    assert read["settings"] == {"deep": {"er": [None, 1]}}


def test_numpy_numbers_are_numbers(tmp_path: Path) -> None:
    entry = FrameEntry(
        path=PurePosixPath("/a"),
        kind="light",
        fwhm_px=np.float32(2.5),  # type: ignore[arg-type]
        stars=np.int64(7),  # type: ignore[arg-type]
        is_reference=np.bool_(True),  # type: ignore[arg-type]
    )
    frame = night_json(Night(out=tmp_path, frames=(entry,)))["frames"][0]
    assert json.loads(json.dumps(frame))["fwhm_px"] == 2.5
    assert (frame["stars"], frame["is_reference"]) == (7, True)
    assert type(frame["stars"]) is int


def test_a_name_that_is_no_unicode_does_not_cost_the_record(tmp_path: Path) -> None:
    entry = FrameEntry(path=PurePosixPath("/n\udcffight/\u03b1.fits"), kind="light")
    write_night(tmp_path / "night.json", Night(out=tmp_path, frames=(entry,)))
    read = json.loads((tmp_path / "night.json").read_text(encoding="utf-8"))
    assert read["frames"][0]["path"] == "/n\udcffight/\u03b1.fits"


def test_times_are_utc_with_a_z() -> None:
    # ISO 8601; 23:59:59.5 and its zone
    time = datetime(2024, 2, 29, 23, 59, 59, 500000)  # noqa: DTZ001
    assert iso_time(time) == "2024-02-29T23:59:59.500Z"
    assert iso_time(time.replace(tzinfo=timezone(timedelta(hours=1)))) == "2024-02-29T22:59:59.500Z"
    assert datetime.fromisoformat(iso_time(time) or "") == time.replace(tzinfo=UTC)
    assert iso_time(None) is None


def test_channel_files_default_to_none() -> None:
    assert ChannelFiles() == ChannelFiles(fits=None, tif=None, png=None)
