"""When a master is doubted, and when it is not."""

from dataclasses import replace

import numpy as np
import pytest

from stackbench.calibration.darkshape import DarkShape, dark_shape
from stackbench.calibration.doubts import (
    flat_level_problem,
    gain_problem,
    glow_problem,
    growth_problem,
    leak_problem,
    negative_problem,
    residue_problem,
)
from stackbench.calibration.flatresidue import FlatResidue
from stackbench.calibration.smooth import tile_places
from stackbench.calibration.trends import Trend

EVEN = DarkShape(
    level=2.0, rise=0.1, rise_error=0.05, glow=0.3, glow_error=0.1, glow_place="last rows right"
)
FITTING = FlatResidue(share=0.01, error=0.005, explained=0.1, swing=0.002)


@pytest.mark.parametrize(
    ("level", "words"),
    [(49000, "very bright"), (47000, None), (6500, None), (5500, "very faint")],
)
def test_flats_between_a_tenth_and_four_fifths_of_saturation(level, words):
    # common practice, no source
    found = flat_level_problem(level, 60000, name="flat Ha")
    assert (found is None) if words is None else (words in found.what and "flat Ha" in found.what)
    assert flat_level_problem(level, None, name="flat Ha") is None


def test_a_level_that_grows():
    growth = Trend(slope=0.5, error=0.02, change=9.5)
    found = growth_problem(growth, frames=20, noise_adu=5, name="dark 60 s")
    assert "rises steadily" in found.what
    assert "9.5 ADU" in found.why
    falling = Trend(slope=-0.5, error=0.02, change=-9.5)
    assert "falls" in growth_problem(falling, frames=20, noise_adu=5, name="dark").what
    assert growth_problem(growth, frames=4, noise_adu=5, name="dark") is None
    assert growth_problem(growth, frames=20, noise_adu=30, name="dark") is None
    unsure = replace(growth, error=0.2)
    assert growth_problem(unsure, frames=20, noise_adu=5, name="dark") is None
    assert growth_problem(None, frames=20, noise_adu=5, name="dark") is None


def test_a_dark_that_leaks():
    found = leak_problem(replace(EVEN, rise=6.0), name="dark 60 s")
    assert "6.0 ADU from edge to edge" in found.why
    assert leak_problem(EVEN, name="dark") is None
    assert leak_problem(replace(EVEN, rise=6.0, rise_error=2.0), name="dark") is None
    assert leak_problem(replace(EVEN, rise=6.0, level=50.0), name="dark") is None
    assert leak_problem(None, name="dark") is None


@pytest.mark.parametrize("tiles", [(7, 10), (36, 52)])
def test_strong_glow_in_a_corner_is_no_leak(tiles):
    x, y = tile_places(tiles)
    noise = np.random.default_rng(5).normal(0, 0.3, tiles)
    glowing = dark_shape(2 + noise + 500 * np.exp((x - 1) / 0.24 + (y - 1) / 0.24))
    # its foot tilts the plane by more than a leak would have to
    assert glowing.rise > max(2.0, 5 * glowing.rise_error, glowing.level / 2)
    assert leak_problem(glowing, name="dark") is None
    leaking = dark_shape(2 + noise + 5 * x)
    assert "from edge to edge" in leak_problem(leaking, name="dark").why


def test_glow_matters_only_when_scaled():
    glowing = replace(EVEN, glow=60.0)
    found = glow_problem(glowing, dark_scale=0.5, noise_adu=4, name="dark 600 s")
    assert "scaled by 0.5" in found.what
    assert "up to 30 ADU" in found.why
    assert "last rows right" in found.why
    assert glow_problem(glowing, dark_scale=0.99, noise_adu=4, name="dark") is None
    assert glow_problem(EVEN, dark_scale=0.5, noise_adu=4, name="dark") is None
    assert glow_problem(None, dark_scale=0.5, noise_adu=4, name="dark") is None


def test_a_flat_that_leaves_its_shape_behind():
    much = FlatResidue(share=-0.2, error=0.01, explained=0.9, swing=0.06)
    found = residue_problem([much] * 5, name="flat L")
    assert found.what == "The flat L corrects too much"
    assert "20 % of the flat's shape" in found.why
    little = replace(much, share=0.2)
    assert residue_problem([little] * 4, name="flat L").what.endswith("too little")
    assert residue_problem([FITTING] * 5, name="flat L") is None
    assert residue_problem([much] * 2, name="flat L") is None
    assert residue_problem([much, much, little, little, FITTING], name="flat L") is None
    nebula = replace(little, explained=0.3)
    assert residue_problem([nebula] * 5, name="flat L") is None


def test_lights_below_what_is_subtracted():
    rng = np.random.default_rng(1)
    found = negative_problem(list(-20 + rng.normal(0, 1, 8)), name="bias")
    assert "brighter than the lights" in found.what
    assert "−" in found.why.replace("-", "−")
    assert negative_problem(list(-1 + rng.normal(0, 0.3, 8)), name="bias") is None
    assert negative_problem(list(40 + rng.normal(0, 3, 8)), name="bias") is None
    assert negative_problem([-20, float("nan"), -20], name="bias") is None
    assert negative_problem([-100, 95, 90, -90], name="bias") is None


@pytest.mark.parametrize(
    ("header", "measured", "told"),
    [(1.0, 0.8, True), (0.8, 0.81, False), (0.7, 0.8, False), (0.5, 0.8, True), (None, 0.8, False)],
)
def test_gain_of_the_header(header, measured, told):
    found = gain_problem(header, measured, name="Moth 26")
    assert (found is not None) is told
    if found is not None:
        assert f"EGAIN says {header:g}" in found.why
