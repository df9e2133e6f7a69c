"""The history of nights, and how a night stands against it."""

import sqlite3
import subprocess
import sys
import textwrap
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath

import pytest

from stackbench.export.night import FrameEntry, Night
from stackbench.job.bench import open_bench
from stackbench.job.history import GroupNight, History, HistoryError, default_history
from stackbench.job.settings import Settings
from stackbench.job.standing import group_nights, standings, with_history

ONE = GroupNight(
    night="2031-03-14",
    target="Veil of Nowhere",
    setup="530mm",
    filter="Ha",
    subs=12,
    hours=1.0,
    fwhm_px=3.0,
    sky_adu_s=0.5,
    transparency_scatter=0.04,
    rejected_share=0.25,
)


@pytest.fixture
def history(tmp_path):
    return History(tmp_path / "own" / "history.sqlite")


def _light(number, **changes):
    entry = FrameEntry(
        path=PurePosixPath(f"/n/{number}.fits"), kind="light", filter="Ha", setup="530mm",
        target="Veil of Nowhere", exposure_s=300.0, verdict="keep", night="2031-03-14",
        time=datetime(2031, 3, 14, 21, tzinfo=UTC) + timedelta(minutes=6 * number),
        fwhm_px=3.0, fwhm_arcsec=4.5, sky_adu=150.0, transparency=1.0,
    )  # fmt: skip
    return replace(entry, **changes)


def test_a_history_that_is_not_there_is_empty_and_not_made_by_looking(history):
    assert history.nights() == []
    assert not history.path.parent.exists()


def test_nights_come_back_as_they_were_kept(history):
    bare = GroupNight(night="2031-03-15", target="", setup="a", filter="", subs=0, hours=0.0)
    history.keep([ONE, bare])
    assert History(history.path).nights() == [ONE, bare]


def test_the_same_night_replaces_its_row_and_is_never_doubled(history):
    history.keep([ONE])
    history.keep([replace(ONE, fwhm_px=2.5)])
    assert history.nights() == [replace(ONE, fwhm_px=2.5)]
    before = history.path.read_bytes()
    history.keep([replace(ONE, fwhm_px=2.5)])
    assert history.path.read_bytes() == before


def test_its_place_can_be_chosen(monkeypatch, tmp_path):
    monkeypatch.setenv("STACKBENCH_HISTORY", str(tmp_path / "elsewhere.sqlite"))
    assert default_history() == tmp_path / "elsewhere.sqlite"
    monkeypatch.delenv("STACKBENCH_HISTORY")
    assert default_history().name == "history.sqlite"


def test_a_damaged_file_is_a_problem_and_the_night_goes_on(history, tmp_path):
    history.path.parent.mkdir()
    history.path.write_bytes(b"no database at all" * 100)
    with pytest.raises(HistoryError, match=r"history\.sqlite.*cannot be used"):
        history.nights()
    night, problems = with_history(history, Night(out=tmp_path, frames=(_light(1),)))
    (problem,) = problems
    assert "not compared" in problem.what
    assert "move the file away" in problem.why
    assert [entry.what for entry in night.problems] == [problem.what]
    assert night.standings == ()


def test_a_history_of_a_newer_version_is_left_alone(history):
    history.keep([ONE])
    with sqlite3.connect(history.path) as db:
        db.execute("PRAGMA user_version = 99")
    with pytest.raises(HistoryError, match="schema 99"):
        history.keep([replace(ONE, fwhm_px=2.0)])


def test_several_processes_may_keep_at_once(history, tmp_path):
    script = tmp_path / "keep.py"
    script.write_text(
        textwrap.dedent(
            """
            import sys
            from pathlib import Path
            from stackbench.job.history import GroupNight, History
            history = History(Path(sys.argv[1]))
            for day in range(1, 21):
                for target in ("shared", sys.argv[2]):
                    history.keep([GroupNight(night=f"2031-03-{day:02}", target=target,
                                             setup="a", filter="L", subs=1, hours=0.1)])
            """
        )
    )
    command = [sys.executable, str(script), str(history.path)]
    running = [
        subprocess.Popen([*command, name], stderr=subprocess.PIPE, text=True) for name in "abc"
    ]
    for process in running:
        _, errors = process.communicate(timeout=120)
        assert process.returncode == 0, errors
    assert len(history.nights()) == 20 * 4


def test_a_group_is_summed_up_by_night():
    lights = [
        _light(0),
        _light(1, fwhm_px=3.2, sky_adu=180.0, transparency=0.98),
        _light(2, fwhm_px=None, sky_adu=None, transparency=1.02),
        _light(3, verdict="reject", fwhm_px=9.0, transparency=0.4),
        _light(4, night="2031-03-15"),
        _light(5, verdict=None),
        _light(6, night=None),
        FrameEntry(path=PurePosixPath("/n/dark.fits"), kind="dark", night="2031-03-14"),
    ]
    first, second = group_nights(lights)
    assert (first.night, first.subs, second.night, second.subs) == (
        "2031-03-14", 3, "2031-03-15", 1,
    )  # fmt: skip
    assert first.hours == pytest.approx(0.25)
    assert first.fwhm_px == pytest.approx(3.1)
    assert first.sky_adu_s == pytest.approx(0.55)
    assert first.rejected_share == pytest.approx(0.25)
    # 1.4826 × the median of |1, 0.98, 1.02, 0.4 − 0.99|, over 0.99
    assert first.transparency_scatter == pytest.approx(1.4826 * 0.02 / 0.99, rel=1e-3)
    assert second.transparency_scatter is None


def _earlier(count, **changes):
    return [
        replace(ONE, night=f"2030-{1 + n // 28:02}-{1 + n % 28:02}", **changes)
        for n in range(count)
    ]


def test_a_night_stands_against_the_last_thirty_of_its_setup_and_filter():
    worse = _earlier(40, fwhm_px=3.5)
    known = [
        *(replace(one, fwhm_px=2.0) for one in worse[:18]),  # only the last 8 of these count
        *worse[18:],
        *_earlier(40, fwhm_px=1.0, filter="L"),
        *_earlier(40, fwhm_px=1.0, setup="other"),
        replace(ONE, night="2031-04-01", fwhm_px=1.0),  # later
        ONE,
    ]
    entry = next(one for one in standings([ONE], known) if one.measure == "fwhm_px")
    assert (entry.nights, entry.better_than, entry.typical) == (30, 22, 3.5)
    assert entry.text == "FWHM 3.00 px, better than 22 of 30 nights"


def test_targets_of_one_night_count_as_one_night():
    known = [
        replace(ONE, night="2031-03-01", target=target, fwhm_px=fwhm)
        for target, fwhm in (("a", 2.0), ("b", 5.0), ("c", 6.0))
    ]
    entry = next(one for one in standings([ONE], known) if one.measure == "fwhm_px")
    assert (entry.nights, entry.better_than, entry.typical) == (1, 1, 5.0)


def test_the_first_night_is_told_without_comparison():
    (fwhm, *others) = standings([replace(ONE, fwhm_arcsec=4.4)], [ONE])
    assert fwhm.text == "FWHM 3.00 px (4.40″)"
    assert (fwhm.nights, fwhm.typical) == (0, None)
    assert [one.text for one in others] == [
        "sky 0.5 ADU/s",
        "transparency scatter 4 %",
        "25 % rejected",
    ]


def test_without_a_history_nothing_is_compared(tmp_path):
    night = Night(out=tmp_path, frames=(_light(1),))
    assert with_history(None, night) == (night, ())
    with open_bench(tmp_path / "out", settings=Settings()) as bench:
        assert bench.history is None


def test_no_test_touches_the_persons_own(tmp_path_factory):
    assert default_history().is_relative_to(tmp_path_factory.getbasetemp())


@pytest.mark.parametrize(("before_px", "told"), [(2.0, "not better"), (4.0, "better")])
def test_one_earlier_night_is_told_as_one(before_px, told):
    entry = standings([ONE], [*_earlier(1, fwhm_px=before_px), ONE])[0]
    assert entry.text == f"FWHM 3.00 px, {told} than the one earlier night"


def test_a_night_worse_than_all_others_says_so():
    entry = standings([ONE], [*_earlier(2, fwhm_px=2.0), ONE])[0]
    assert (entry.nights, entry.better_than) == (2, 0)
    assert entry.text == "FWHM 3.00 px, not better than any of 2 nights"
