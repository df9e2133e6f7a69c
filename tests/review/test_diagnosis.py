"""Two hundred random nights: what was wrong with them, and what was found."""

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from stackbench.review.camera import camera_findings
from stackbench.review.diagnosis import diagnose
from tests.support.observed import Faults, observed_camera, observed_night, stripped

# What is put in, and the cause under which it must be found.
FAULTS = {
    "focus drift": lambda rng: Faults(
        focus_px_c=float(rng.uniform(0.35, 0.7)), refocus_h=(float(rng.uniform(2, 4)),)
    ),
    "polar error": lambda rng: Faults(
        polar_arcmin=float(rng.uniform(9, 20)), polar_hour_deg=float(rng.uniform(-30, 30))
    ),
    "tilt": lambda rng: Faults(tilt=float(rng.uniform(0.18, 0.4))),
    "trailed in declination": lambda rng: Faults(
        dec_trail_px=float(rng.uniform(4.5, 7)), trail_from_h=float(rng.uniform(0, 3))
    ),
    "cloud": lambda rng: Faults(
        cloud=(start := float(rng.uniform(1, 4)), start + 0.5, float(rng.uniform(0.3, 0.75)))
    ),
    "dawn": lambda rng: Faults(dawn_from_h=float(rng.uniform(4.8, 5.4))),
    "little dithering": lambda rng: Faults(dither_px=float(rng.uniform(0.0, 0.8))),
    "warm-up": lambda rng: Faults(warm_up_c=float(rng.uniform(8, 20))),
    "bias drift": lambda rng: Faults(
        bias_adu_h=float(rng.choice([-1, 1])) * float(rng.uniform(4, 12))
    ),
    # 64 electrons and more beside the 400 of a light's variance
    "amplifier glow": lambda rng: Faults(glow_adu=float(rng.uniform(80, 250))),
    "new hot pixels": lambda rng: Faults(grown=float(rng.uniform(0.25, 0.8))),
}
NIGHTS = 200
CLEAN = 60


def told_of(rng, faults, **plan):
    """Invent a night and its calibration frames; give the subs and all that is found."""
    night = observed_night(rng, faults, **plan)
    camera = observed_camera(rng, faults, lights=tuple(one.path for one in night))
    return night, (*diagnose(night), *camera_findings([camera]))


@pytest.fixture(scope="module")
def confusion():
    """Diagnose random nights, each with one fault or none; count what was found of what."""
    rng = np.random.default_rng(20311014)
    table = Counter()
    names = list(FAULTS)
    for number in range(NIGHTS):
        name = "nothing" if number < CLEAN else names[number % len(names)]
        faults = Faults() if name == "nothing" else FAULTS[name](rng)
        _, findings = told_of(
            rng,
            faults,
            dec_deg=float(rng.uniform(25, 60)),
            filters=[("L",), ("L", "R"), ("L", "Ha", "OIII")][rng.integers(3)],
            stars=int(rng.integers(50, 120)),
            sub_s=300.0,
        )
        found = {one.cause for one in findings}
        table.update((name, cause) for cause in found or {"nothing"})
    return table


def test_clean_nights_have_no_findings(confusion):
    quiet = confusion["nothing", "nothing"]
    assert quiet >= 0.95 * CLEAN, confusion


@pytest.mark.parametrize("cause", FAULTS)
def test_each_fault_is_found(confusion, cause):
    nights = (NIGHTS - CLEAN) // len(FAULTS)
    assert confusion[cause, cause] >= 0.95 * nights, confusion


def test_a_fault_is_seldom_taken_for_another(confusion):
    wrong = sum(n for (true, found), n in confusion.items() if found not in ("nothing", true))
    assert wrong <= 0.05 * NIGHTS, confusion


def test_what_only_some_headers_give_is_not_needed_for_most_causes():
    rng = np.random.default_rng(7)
    for cause in ("focus drift", "tilt", "cloud", "dawn", "little dithering"):
        night = stripped(observed_night(rng, FAULTS[cause](rng)))
        assert cause in {one.cause for one in diagnose(night)}


def test_every_finding_says_what_it_rests_on_and_what_to_do():
    rng = np.random.default_rng(8)
    for make in FAULTS.values():
        night, findings = told_of(rng, make(rng))
        paths = {one.path for one in night}
        assert findings
        for found in findings:
            assert found.title
            assert found.text.endswith(".")
            assert found.evidence
            assert found.remedy.endswith(".")
            assert found.subs
            assert set(found.subs) <= paths


def test_the_order_of_the_subs_does_not_matter():
    rng = np.random.default_rng(9)
    night = observed_night(rng, Faults(cloud=(2.0, 2.5, 0.4), tilt=0.3))
    shuffled = [night[n] for n in rng.permutation(len(night))]
    assert diagnose(shuffled) == diagnose(night)


def _another_night(subs):
    """Take subs a day later, with worse seeing, the camera turned by 90° and pointed anew."""
    moved = np.array([[0.0, -1.0, 2400.0], [1.0, 0.0, -350.0], [0.0, 0.0, 1.0]])
    return [
        replace(
            one,
            path=one.path.with_stem(f"{one.path.stem}_next"),
            time=one.time + timedelta(days=1),
            to_grid=moved @ one.to_grid,
            measures=replace(one.measures, fwhm_px=1.5 * one.measures.fwhm_px),
        )
        for one in subs
    ]


@pytest.mark.parametrize("seed", range(6))
def test_what_differs_between_two_nights_is_no_fault(seed):
    rng = np.random.default_rng(5000 + seed)
    subs = [*observed_night(rng), *_another_night(observed_night(rng))]
    assert diagnose(subs) == ()


def test_each_night_has_its_own_findings():
    rng = np.random.default_rng(11)
    first = observed_night(rng, FAULTS["dawn"](rng))
    second = observed_night(rng, FAULTS["cloud"](rng))
    subs = [*first, *_another_night(second)]
    found = diagnose(subs)
    assert [one.cause for one in found] == ["dawn", "cloud"]
    assert set(found[0].subs) < {one.path for one in first}


def test_no_subs_or_subs_without_measures_say_nothing():
    assert diagnose([]) == ()
    night = observed_night(np.random.default_rng(10), hours=2.0)
    empty = [
        replace(
            one,
            stars=None,
            to_grid=None,
            measures=replace(
                one.measures, fwhm_px=None, eccentricity=None, transparency=None, sky_adu=None
            ),
        )
        for one in night
    ]
    assert diagnose(empty) == ()
