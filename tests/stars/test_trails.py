"""Lines of peaks, second images and neighbours."""

import numpy as np
import pytest

from stackbench.stars.moments import Moments
from stackbench.stars.selection import lone
from stackbench.stars.trails import on_trails, repeated_offset


def _elongated(x: np.ndarray, y: np.ndarray, angle: np.ndarray) -> Moments:
    nothing = np.zeros(len(x))
    return Moments(
        x=x,
        y=y,
        sky=nothing,
        snr=nothing + 50,
        xx=2 + np.cos(2 * angle),
        xy=np.sin(2 * angle),
        yy=2 - np.cos(2 * angle),
        window_px=2.0,
    )


def test_a_line_is_found_and_scattered_stars_are_not():
    rng = np.random.default_rng(21)
    along = np.sort(rng.uniform(0, 1000, 60))
    line_x, line_y = along * np.cos(0.5), along * np.sin(0.5) + rng.normal(0, 0.2, 60)
    x = np.concatenate([line_x, rng.uniform(0, 1000, 100)])
    y = np.concatenate([line_y, rng.uniform(0, 1000, 100)])
    angle = np.full(160, 0.5) + rng.normal(0, 0.05, 160)
    further = np.array([300 * np.exp(0.5j), 300 * np.exp(0.5j) + 20j])
    trail, beyond = on_trails(_elongated(x, y, angle), further)
    assert trail[:60].mean() > 0.9
    assert trail[60:].sum() <= 2  # those that lie on the line
    assert beyond.tolist() == [True, False]


@pytest.mark.parametrize("seed", range(10))
def test_a_frame_of_trailed_stars_is_no_trail(seed: int):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 2000, (2, 300))
    trail, _ = on_trails(_elongated(x, y, np.full(300, 0.7)), np.empty(0, complex))
    assert not trail.any()


def test_second_image_of_every_star():
    rng = np.random.default_rng(22)
    x, y = rng.uniform(0, 1000, (2, 60))
    snr = rng.uniform(100, 1000, 60)
    xs = np.concatenate([x, x + 6 + rng.normal(0, 0.2, 60)])
    ys = np.concatenate([y, y - 4 + rng.normal(0, 0.2, 60)])
    both = np.concatenate([snr, 0.5 * snr])
    order = np.argsort(-both)
    bump = repeated_offset(xs[order], ys[order], both[order], reach_px=30, tolerance_px=1)
    assert bump is not None
    offset, share = bump
    assert abs(offset - (6 - 4j)) < 0.2
    assert share == pytest.approx(1 / 3, abs=0.02)


def test_unrelated_stars_have_no_second_image():
    rng = np.random.default_rng(23)
    x, y = rng.uniform(0, 300, (2, 240))  # as crowded as a cluster
    assert repeated_offset(x, y, np.linspace(900, 30, 240), reach_px=30, tolerance_px=1) is None


def test_lone_stars():
    x, y = np.array([10.0, 14.0, 50.0, 53.0]), np.array([10.0, 10.0, 50.0, 50.0])
    snr = np.array([100.0, 90.0, 100.0, 1.0])
    assert lone(x, y, snr, radius_px=5).tolist() == [False, False, True, False]
