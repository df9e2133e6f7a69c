"""Groups of lights that may be stacked together."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from stackbench.frames.groups import light_groups
from stackbench.frames.records import CameraSetup, Frame, Kind, PixelLayout, Setup

SHAPE = (4, 5)
LONG = Setup(camera=CameraSetup(shape=SHAPE), focal_length_mm=2000.0)
SHORT = replace(LONG, focal_length_mm=400.0)


def light(name, *, minute=None, **facts):
    return Frame(
        path=Path(name),
        size_bytes=1,
        modified_ns=1,
        layout=PixelLayout(hdu=0, shape=SHAPE, bitpix=16, data_offset=2880),
        time=None if minute is None else datetime(2024, 1, 1, 20, minute, tzinfo=UTC),
        **{"kind": Kind.LIGHT, "setup": LONG, "target": "M51", "filter": "L", **facts},
    )


def test_lights_group_by_target_setup_and_filter_in_order_of_time():
    frames = [
        light("9", minute=5),
        light("1", minute=7),
        light("2"),
        light("3", minute=6, filter="Ha"),
        light("4", minute=1, filter="Narrow 656"),
        light("5", minute=1, filter=None),
        light("6", minute=1, target="Field 7"),
        light("7", minute=1, kind=Kind.DARK),
        light("8", minute=1, kind=Kind.UNKNOWN),
        light("0", minute=9, target="m 51"),
    ]
    groups = light_groups(frames)
    assert [(group.target, group.filter) for group in groups] == [
        *(("Field 7", "L"), ("M51", "L"), ("M51", "Ha"), ("M51", "Narrow 656"), ("M51", None)),
    ]
    assert [frame.path.name for frame in groups[1].frames] == ["9", "1", "0", "2"]


def test_two_optical_trains_never_meet():
    # One night can hold two optical trains on one mount: common practice, no source.
    groups = light_groups([light("1"), light("2", setup=SHORT), light("3", setup=SHORT)])
    assert sorted(len(group.frames) for group in groups) == [1, 2]
    assert {group.setup for group in groups} == {LONG, SHORT}


def test_the_order_given_does_not_matter():
    frames = [light(str(n), minute=n, filter="LRGB"[n % 4]) for n in range(20)]
    assert light_groups(frames) == light_groups(frames[::-1])
