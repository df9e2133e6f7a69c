"""Exposures told as measured: which are meant to be the same."""

from stackbench.review.exposures import alike_exposures, are_alike
from stackbench.review.judgement import judge_openly
from stackbench.review.limits import Limits
from stackbench.review.measures import SubMeasures


def test_what_differs_by_two_per_cent_of_the_shortest_is_one():
    told = [120.0002, 300.0, None, 120.0, 122.3, 122.5, float("nan")]
    assert alike_exposures(told) == [120.0, 300.0, None, 120.0, 120.0, 122.5, None]
    assert are_alike(122.4, 120.0)
    assert not are_alike(122.5, 120.0)
    assert not are_alike(119.9, 120.0)
    assert not are_alike(None, 120.0)


def test_subs_whose_headers_tell_measured_exposures_are_compared_with_one_another():
    subs = [
        SubMeasures(
            fwhm_px=3.0, eccentricity=0.3, stars=200 + n, sky_adu=500.0 + n,
            transparency=1.0, exposure_s=120.0 + n * 1e-4,
        )
        for n in range(8)
    ]  # fmt: skip
    bright = SubMeasures(
        fwhm_px=3.0, eccentricity=0.3, stars=204, sky_adu=5000.0, transparency=1.0,
        exposure_s=120.0009,
    )  # fmt: skip
    judged = judge_openly([*subs, bright], limits=Limits())
    (limit,) = [one for one in judged.placed if one.measure == "sky_adu"]
    assert limit.typical is not None
    assert limit.holds_for(120.0009)
    assert not limit.holds_for(300.0)
    assert [one.reasons[0].measure for one in judged.verdicts if one.reasons] == ["sky_adu"]
