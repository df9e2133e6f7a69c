"""A good night keeps everything; clouds, trails and lost focus go, with reasons."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackbench.review.judgement import judge
from stackbench.review.limits import Limits
from stackbench.review.measures import SubMeasures
from stackbench.review.typical import RelativeLimit
from stackbench.review.verdicts import By, Decision
from tests.support.nights import FAULTS, faultless_night, spoil

SIZES = (3, 4, 5, 6, 8, 12, 20, 35, 60)
GOOD = SubMeasures(
    fwhm_px=3.2,
    fwhm_arcsec=4.7,
    eccentricity=0.35,
    stars=200,
    sky_adu=500.0,
    noise_adu=23.0,
    transparency=1.0,
    exposure_s=120.0,
)


def _rejected(verdicts):
    return [index for index, one in enumerate(verdicts) if one.decision is Decision.REJECT]


def _measures(verdict):
    return [reason.measure for reason in verdict.reasons]


@pytest.mark.parametrize("count", SIZES)
def test_faultless_nights_lose_at_most_one_sub_in_fifty(count):
    rng = np.random.default_rng(20 + count)
    nights = 50
    lost = sum(len(_rejected(judge(faultless_night(rng, count)))) for _ in range(nights))
    assert lost <= nights * count / 50


@pytest.mark.parametrize("count", SIZES)
def test_every_cloud_trail_and_defocus_is_found(count):
    rng = np.random.default_rng(70 + count)
    good = lost = 0
    for trial in range(40):
        night = faultless_night(rng, count)
        # Up to four in ten are bad, but always one.
        bad = rng.choice(count, max(1, int(rng.uniform(0, 0.41) * count)), replace=False).tolist()
        sound = [sub for index, sub in enumerate(night) if index not in bad]
        for place, index in enumerate(bad):
            fault = FAULTS[(trial + place) % 3]
            night[index] = spoil(rng, night[index], fault, night=sound)
        rejected = _rejected(judge(night))
        assert set(bad) <= set(rejected)
        good += len(sound)
        lost += len(rejected) - len(bad)
    assert lost <= good / 50


@pytest.mark.parametrize("fault", FAULTS)
def test_four_bad_subs_in_ten_of_one_kind_are_found(fault):
    rng = np.random.default_rng(5)
    for count in (5, 10, 40):
        night = faultless_night(rng, count)
        bad = range(2 * count // 5)
        for index in bad:
            night[index] = spoil(rng, night[index], fault, night=night[len(bad) :])
        assert set(bad) <= set(_rejected(judge(night)))


def test_reason_names_measure_value_limit_and_typical_value():
    verdicts = judge([replace(GOOD, fwhm_px=fwhm) for fwhm in (3.2, 3.2, 3.2, 6.1)])
    (reason,) = verdicts[3].reasons
    assert (reason.measure, reason.value) == ("fwhm_px", 6.1)
    assert reason.limit == pytest.approx(3.2 * 1.37)
    assert reason.text == (
        "FWHM 6.10 px is above the limit 4.38 px (the filter's typical value is 3.20 px)"
    )
    assert verdicts[3].by is By.RULE


def test_a_rejected_sub_carries_every_reason():
    bad = replace(GOOD, fwhm_px=7.0, eccentricity=0.9, transparency=0.2, stars=20, sky_adu=9000.0)
    verdict = judge([GOOD, GOOD, GOOD, GOOD, bad])[4]
    assert _measures(verdict) == ["stars", "transparency", "fwhm_px", "eccentricity", "sky_adu"]
    assert [reason.text.split(" is ")[0] for reason in verdict.reasons] == [
        "star count 20",
        "transparency 0.20",
        "FWHM 7.00 px",
        "eccentricity 0.90",
        "sky level 9000 ADU",
    ]


def test_value_and_limit_are_never_written_alike():
    limits = Limits(fwhm_max_px=4.0)
    verdict = judge([replace(GOOD, fwhm_px=4.0004)], limits=limits)[0]
    assert verdict.reasons[0].text == "FWHM 4.0004 px is above the limit 4.0000 px that is set"


def test_failed_registration_and_measuring_reject_with_their_words():
    lost = replace(GOOD, registration_failure="no star pattern in common")
    broken = SubMeasures(measuring_failure="every pixel is undefined")
    empty = SubMeasures(sky_adu=500.0)
    verdicts = judge([GOOD, GOOD, GOOD, lost, broken, empty])
    assert _rejected(verdicts) == [3, 4, 5]
    assert verdicts[3].reasons[0].text == "registration failed: no star pattern in common"
    assert verdicts[4].reasons[0].text == "measuring failed: every pixel is undefined"
    assert verdicts[5].reasons[0].text == "no star was measured on it"
    assert [one.doubt for one in verdicts[3:]] == [0.0, 0.0, 0.0]


def test_one_or_two_subs_are_judged_by_absolute_limits_alone_and_the_note_says_so():
    verdicts = judge([GOOD, replace(GOOD, fwhm_px=9.0, transparency=0.3)])
    assert _rejected(verdicts) == []
    assert {one.note for one in verdicts} == {
        "only 2 subs to compare: judged by the absolute limits alone"
    }
    assert judge([GOOD])[0].note.startswith("only 1 sub to compare")
    streak = judge([GOOD, replace(GOOD, eccentricity=0.9)])
    assert _measures(streak[1]) == ["eccentricity"]
    blank = judge([replace(GOOD, stars=2)])
    assert _measures(blank[0]) == ["stars"]
    assert all(one.note == "" for one in judge([GOOD] * 3))


def test_failed_subs_do_not_count_as_company():
    lost = SubMeasures(registration_failure="too few stars")
    verdicts = judge([GOOD, replace(GOOD, fwhm_px=9.0), lost, lost])
    assert _rejected(verdicts) == [2, 3]
    assert verdicts[0].note.startswith("only 2 subs")


def test_specks_on_overcast_subs_do_not_define_a_sharp_star():
    # Four in ten overcast; what was measured there are hot pixels of FWHM 1 px.
    overcast = replace(GOOD, stars=8, fwhm_px=1.0, eccentricity=0.1, transparency=None)
    verdicts = judge([GOOD] * 6 + [overcast] * 4)
    assert _rejected(verdicts) == [6, 7, 8, 9]


def test_unknown_measures_are_not_judged():
    unknown = SubMeasures(stars=180, fwhm_px=math.nan, eccentricity=None, transparency=math.inf)
    verdicts = judge([GOOD, GOOD, GOOD, unknown])
    assert _rejected(verdicts) == []
    assert judge([]) == ()


def test_star_count_and_sky_compare_equal_exposures():
    short = replace(GOOD, stars=40, sky_adu=40.0, exposure_s=10.0)
    long = replace(GOOD, stars=900, sky_adu=4000.0, exposure_s=900.0)
    assert _rejected(judge([GOOD] * 6 + [short] * 3 + [long])) == []
    assert _rejected(judge([GOOD] * 6 + [replace(short, exposure_s=120.0)])) == [6]


def test_dawn_is_found_and_the_dark_sky_of_a_narrow_filter_is_left_alone():
    dawn = replace(GOOD, sky_adu=3000.0)
    assert _measures(judge([GOOD] * 5 + [dawn])[5]) == ["sky_adu"]
    narrow = [replace(GOOD, sky_adu=sky, noise_adu=5.0) for sky in (2.0, 1.5, 2.5, 2.0, 9.0)]
    assert _rejected(judge(narrow)) == []
    offset = [replace(GOOD, sky_adu=sky, noise_adu=5.0) for sky in (-2.0, -1.0, -2.0, -1.5, 90.0)]
    assert _rejected(judge(offset)) == [4]
    unknown = [replace(one, noise_adu=None) for one in offset]
    assert _rejected(judge(unknown)) == []


def test_a_night_of_elongated_stars_is_not_rejected_as_a_whole():
    night = [replace(GOOD, eccentricity=0.66 + 0.01 * step) for step in range(8)]
    assert _rejected(judge(night)) == []
    assert _rejected(judge([*night, replace(GOOD, eccentricity=0.88)])) == [8]


def test_absolute_limits_can_be_set_and_relative_ones_turned_off():
    limits = Limits(
        fwhm=None,
        fwhm_max_px=4.0,
        fwhm_max_arcsec=5.0,
        eccentricity_factor=None,
        eccentricity_max=None,
        transparency=None,
        transparency_min=0.9,
        stars=None,
        stars_min=None,
        sky=None,
        sky_max_adu=600.0,
    )
    wild = replace(GOOD, eccentricity=0.95, stars=3)
    assert _rejected(judge([GOOD, GOOD, GOOD, wild], limits=limits)) == []
    bad = replace(GOOD, fwhm_px=4.5, fwhm_arcsec=6.6, transparency=0.8, sky_adu=700.0)
    verdict = judge([GOOD, GOOD, GOOD, bad], limits=limits)[3]
    assert _measures(verdict) == ["transparency", "fwhm_px", "fwhm_arcsec", "sky_adu"]
    assert verdict.reasons[0].text == "transparency 0.80 is below the limit 0.90 that is set"
    assert verdict.reasons[2].text == "FWHM 6.60″ is above the limit 5.00″ that is set"


def test_the_tighter_of_two_limits_holds():
    loose = judge([GOOD] * 3 + [replace(GOOD, fwhm_px=6.0)], limits=Limits(fwhm_max_px=5.9))
    assert loose[3].reasons[0].limit == pytest.approx(3.2 * 1.37)
    tight = judge([GOOD] * 3 + [replace(GOOD, fwhm_px=6.0)], limits=Limits(fwhm_max_px=3.5))
    assert tight[3].reasons[0].limit == 3.5
    narrower = Limits(fwhm=RelativeLimit(factor=3.0, tightest=1.1, loosest=1.2))
    assert _rejected(judge([GOOD] * 3 + [replace(GOOD, fwhm_px=3.6)], limits=narrower)) == [3]


def test_doubt_is_largest_at_the_limit_and_gone_far_from_it():
    doubts = [
        judge([GOOD] * 4 + [replace(GOOD, fwhm_px=3.2 * factor)])[4].doubt
        for factor in (1.0, 1.1, 1.2, 1.36, 1.38, 1.5, 1.7, 3.0)
    ]
    assert doubts[0] == doubts[1] == doubts[-1] == 0.0
    assert doubts[1] < doubts[2] < doubts[3] <= 1
    assert doubts[4] > doubts[5] > doubts[6]
    assert min(doubts[3:5]) > 0.9


NIGHTS = st.builds(
    lambda seed, count: faultless_night(np.random.default_rng(seed), count),
    st.integers(0, 10**6),
    st.integers(1, 25),
)
MEASURE = st.none() | st.floats(allow_nan=True, allow_infinity=True)
ANYTHING = st.builds(
    SubMeasures,
    fwhm_px=MEASURE,
    fwhm_arcsec=MEASURE,
    eccentricity=MEASURE,
    stars=st.none() | st.integers(0, 10**5),
    sky_adu=MEASURE,
    noise_adu=MEASURE,
    transparency=MEASURE,
    exposure_s=MEASURE,
    registration_failure=st.none() | st.just("no match"),
)


@settings(deadline=None, max_examples=60)
@given(NIGHTS, st.randoms(use_true_random=False))
def test_order_of_the_subs_does_not_matter(night, random):
    spoilt = [spoil(np.random.default_rng(1), night[0], "trail", night=night), *night[1:]]
    order = list(range(len(spoilt)))
    random.shuffle(order)
    verdicts = judge(spoilt)
    assert judge([spoilt[index] for index in order]) == tuple(verdicts[i] for i in order)


@settings(deadline=None, max_examples=60)
@given(NIGHTS, st.integers(-6, 6), st.integers(-6, 6), st.integers(-6, 6))
def test_units_do_not_matter(night, fwhm_power, sky_power, flux_power):
    # Powers of two, so that rounding is the same at every scale.
    spoilt = [spoil(np.random.default_rng(2), night[0], "defocus", night=night), *night[1:]]
    scaled = [
        replace(
            sub,
            fwhm_px=sub.fwhm_px * 2.0**fwhm_power,
            sky_adu=sub.sky_adu * 2.0**sky_power,
            noise_adu=sub.noise_adu * 2.0**sky_power,
            transparency=sub.transparency * 2.0**flux_power,
        )
        for sub in spoilt
    ]
    before, after = judge(spoilt), judge(scaled)
    assert [one.decision for one in before] == [one.decision for one in after]
    assert [_measures(one) for one in before] == [_measures(one) for one in after]
    assert [one.doubt for one in before] == pytest.approx([one.doubt for one in after])


@settings(deadline=None, max_examples=200)
@given(st.lists(ANYTHING, max_size=12))
def test_any_measures_get_a_verdict(subs):
    verdicts = judge(subs)
    assert len(verdicts) == len(subs)
    for verdict in verdicts:
        assert (verdict.decision is Decision.REJECT) == bool(verdict.reasons)
        assert 0 <= verdict.doubt <= 1
        assert all(reason.text for reason in verdict.reasons)
