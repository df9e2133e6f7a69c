"""A finished job's record is read back whole, and its page and table are made again."""

import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stackbench.export.night import Night, night_json, write_night
from stackbench.export.report import report_html
from stackbench.export.tables import write_frames_csv
from stackbench.job.bench import WrongUseError
from stackbench.job.rereading import read_night, report_again
from tests.support.night_records import invented_night


@pytest.fixture
def out(tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()
    write_night(folder / "night.json", invented_night(folder))
    return folder


def test_the_record_says_the_same_again(out):
    again = read_night(out)
    assert night_json(again) == json.loads((out / "night.json").read_text(encoding="utf-8"))
    assert again.frames[0].time == datetime(2031, 2, 3, 20, 5, tzinfo=UTC)
    assert again.stacks[0].channel.png == out / "channels" / "L.png"
    assert math.isclose(again.findings[0].figures[0].value, 0.41)


def test_page_and_table_are_made_again(out, tmp_path):
    night = invented_night(out)
    write_frames_csv(tmp_path / "frames.csv", night.frames)
    assert report_again(out) == ("frames.csv", "report.html")
    assert (out / "frames.csv").read_bytes() == (tmp_path / "frames.csv").read_bytes()
    page = (out / "report.html").read_text(encoding="utf-8")
    settings = {"review": {"fwhm_sigma": 3.0, "limit": None}, "jobs": None}  # JSON has no infinity
    assert page == report_html(replace(night, settings=settings))


def test_what_is_made_again_is_the_same_byte_for_byte(out):
    report_again(out)
    before = [(out / name).read_bytes() for name in ("frames.csv", "report.html")]
    assert report_again(out) == ()
    assert [(out / name).read_bytes() for name in ("frames.csv", "report.html")] == before
    (out / "frames.csv").write_text("spoilt", encoding="utf-8")
    assert report_again(out) == ("frames.csv",)


def test_a_moved_folder_is_read_where_it_lies_now(out):
    moved = out.rename(out.with_name("moved"))
    assert read_night(moved).masters[0].path.is_relative_to(moved)


def test_an_older_record_of_the_same_schema_is_read(out):
    path = out / "night.json"
    said = json.loads(path.read_text(encoding="utf-8"))
    for key in ("findings", "advice", "standings", "limits", "field_maps"):
        del said[key]
    for frame in said["frames"]:
        del frame["night"]
        del frame["altitude_deg"]
    path.write_text(json.dumps(said), encoding="utf-8")
    night = read_night(out)
    assert night.findings == ()
    assert "<b>36</b> of 40 subs kept" in report_html(night)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (None, "no record of a finished job"),
        ("{", "is no record of a job"),
        ("[1]", "schema None"),
        ('{"schema": 2}', "schema 2, this version reads 1"),
        ('{"schema": 1, "frames": [{"kind": "light"}]}', r"frames\.0\.path.*run the night again"),
    ],
)
def test_a_folder_without_a_good_record_is_said(tmp_path, text, message):
    if text is not None:
        (tmp_path / "night.json").write_text(text)
    with pytest.raises(WrongUseError, match=message):
        report_again(tmp_path)
    assert not (tmp_path / "report.html").exists()


def test_the_least_record_is_enough(tmp_path):
    write_night(tmp_path / "night.json", Night(out=tmp_path))
    assert read_night(Path(tmp_path)) == Night(out=tmp_path)
