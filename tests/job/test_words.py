"""What a job says at its end."""

from dataclasses import replace

from stackbench.job.words import outcome_lines
from tests.support.night_records import invented_night


def test_lessons_of_one_night_need_no_date(tmp_path):
    lines = outcome_lines(invented_night(tmp_path))
    assert "  The focus drifted (likely)" in lines
    assert "  L: FWHM 3.10 px, better than 22 of 30 nights" in lines


def test_lessons_of_several_nights_say_of_which(tmp_path):
    night = invented_night(tmp_path)
    frames = tuple(
        replace(one, night="2031-02-04") if one.path.name.endswith("9.fits") else one
        for one in night.frames
    )
    moved = tuple(one.path for one in frames if one.kind == "light" and one.night == "2031-02-04")
    drifted, *others = night.findings
    (standing,) = [one for one in night.standings if one.nights]
    lines = outcome_lines(
        replace(
            night,
            frames=frames,
            findings=(replace(drifted, subs=moved), *others),
            standings=(
                standing,
                replace(standing, night="2031-02-04"),
                # the first of its setup: compared with none, but of another target
                replace(standing, night="2031-02-04", target="Lantern", nights=0),
            ),
        )
    )
    assert "  2031-02-04: The focus drifted (likely)" in lines
    told = "L: FWHM 3.10 px, better than 22 of 30 nights"
    assert f"  {standing.night}, {standing.target}, {told}" in lines
    assert f"  2031-02-04, {standing.target}, {told}" in lines
    assert f"  2031-02-04, Lantern, {told}" not in lines
