"""Targets: one spelling each, and a name where the header gives none."""

from pathlib import Path

import pytest
from astropy.coordinates import SkyCoord
from hypothesis import example, given
from hypothesis import strategies as st

from stackbench.frames.records import CameraSetup, Frame, Kind, PixelLayout, Pointing, Setup
from stackbench.frames.targets import separation_deg, target_key, with_targets

ROOT = Path("/nights/2024-02-10").absolute()


def light(name, target=None, **facts):
    shape = (4, 5)
    return Frame(
        path=ROOT / name,
        size_bytes=1,
        modified_ns=1,
        layout=PixelLayout(hdu=0, shape=shape, bitpix=16, data_offset=2880),
        setup=Setup(camera=CameraSetup(shape=shape)),
        target=target,
        **{"kind": Kind.LIGHT, **facts},
    )


def targets(*frames):
    return [frame.target for frame in with_targets(frames, folders=[ROOT])]


def at(ra, dec):
    return Pointing(ra_deg=ra, dec_deg=dec)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("M 51", "M51 "),
        ("M 51", "m51"),
        ("NGC 7000", "ngc-7000"),
        ("Sh2-155", "sh 2-155"),
        ("Sh2 155", "Sh2_155"),
        ("M 51", "M  51"),
    ],
)
def test_spellings_of_one_target(one, other):
    assert target_key(one) == target_key(other)


@pytest.mark.parametrize(("one", "other"), [("M 5", "M 51"), ("Field 2-1", "Field 21"), ("A", "B")])
def test_different_targets(one, other):
    assert target_key(one) != target_key(other)


@given(st.text(max_size=20))
@example("A´")
def test_key_of_a_key(name):
    assert target_key(target_key(name)) == target_key(name)


def test_the_most_used_spelling_is_shown():
    assert targets(light("1", "M51"), light("2", "M 51"), light("3", "M 51 ")) == ["M 51"] * 3
    assert targets(light("1", "m51"), light("2", "M51")) == ["m51"] * 2


@pytest.mark.parametrize(
    ("folder", "target"),
    [
        ("Field_7", "Field 7"),
        ("M51/lights/Ha", "M51"),
        ("lights/M51", "M51"),
        ("M51/2024-02-10/300s", "M51"),
        ("M51/Ha 300s bin 2", "M51"),
        ("lights/OIII", "target"),
        ("night 1/raw/Lum", "target"),
        (".", "target"),
    ],
)
def test_folder_names_a_light_without_object(folder, target):
    assert targets(light(f"{folder}/a.fits")) == [target]


def test_the_given_folder_itself_may_name_the_target_but_none_above():
    frame = light("a.fits")
    assert with_targets([frame], folders=[ROOT.parent])[0].target == "target"
    assert with_targets([frame], folders=[ROOT])[0].target == "target"
    named = light("Field 7/a.fits")
    assert with_targets([named], folders=[ROOT / "Field 7"])[0].target == "Field 7"
    assert with_targets([named], folders=[])[0].target == "target"


def test_pointing_finds_the_named_target_or_makes_a_name():
    frames = [
        light("1", "M51", pointing=at(202.47, 47.2)),
        light("2", "Field 7", pointing=at(83.8, -5.4)),
        light("3", pointing=at(202.3, 47.1)),
        light("4", pointing=at(359.99, 89.9)),
        light("5", pointing=at(0.2, 89.8)),
        light("6", pointing=at(100.0, -10.2)),
        light("7"),
    ]
    assert targets(*frames) == [
        *("M51", "Field 7", "M51", "RA 00h00m Dec +90", "RA 00h00m Dec +90"),
        *("RA 06h40m Dec -10", "target"),
    ]


def test_only_lights_are_changed():
    dark = light("1", kind=Kind.DARK)
    assert with_targets([dark]) == (dark,)


def test_once_named_stays_named():
    frames = with_targets(
        [light("M51/1"), light("2", pointing=at(1, 2)), light("3")], folders=[ROOT]
    )
    assert with_targets(frames, folders=[ROOT]) == frames


@given(*[st.floats(0, 360), st.floats(-90, 90)] * 2)
def test_separation_against_astropy(ra1, dec1, ra2, dec2):
    outside = SkyCoord(ra1, dec1, unit="deg").separation(SkyCoord(ra2, dec2, unit="deg")).deg
    assert separation_deg(at(ra1, dec1), at(ra2, dec2)) == pytest.approx(outside, abs=1e-5)


def test_separation_of_two_bright_stars():
    # Arcturus and Spica, 32.7930°: Meeus 1998, Astronomical Algorithms, example 17.a (from
    # memory)
    apart = separation_deg(at(213.9154, 19.1825), at(201.2983, -11.1614))
    assert apart == pytest.approx(32.7930, abs=1e-4)
