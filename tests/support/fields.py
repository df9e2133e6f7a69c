"""Pairs of star lists of an invented sky, related by a known transform."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPair:
    """A sub's and a reference's star list, and the true transform between them."""

    xy: np.ndarray
    flux: np.ndarray
    reference_xy: np.ndarray
    reference_flux: np.ndarray
    matrix: np.ndarray  # sub → reference
    sub_shape: tuple[int, int]


def placed_matrix(
    *, scale=1.0, rotation_deg=0.0, mirrored=False, centre=(0.0, 0.0), target=(0.0, 0.0), skew=0.0
):
    """Transform that maps `centre` to `target` with the given turn, scale and mirror."""
    turn = np.radians(rotation_deg)
    linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    linear = linear @ np.array([[1 + skew, skew], [0, 1 - skew]])
    if mirrored:
        linear = linear @ np.diag([1.0, -1.0])
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = np.asarray(target) - linear @ np.asarray(centre)
    return matrix


def field_pair(
    rng,
    *,
    stars=40,
    shape=(1000, 1500),
    scale=1.0,
    rotation_deg=0.0,
    mirrored=False,
    shift=(0.0, 0.0),
    skew=0.0,
    noise_px=0.1,
    reference_noise_px=0.1,
    missing=0.0,
    false=0.0,
    flux_scatter=0.1,
):
    """Draw a sky at random and look at it twice.

    `stars` is how many real stars fall on the reference; `missing` and
    `false` are the fractions of each list that the other does not hold.
    `shift` moves the sub's centre on the reference, pixels of the reference.
    """
    ny, nx = shape
    sub_shape = (round(ny / scale), round(nx / scale))
    centre = np.array([(sub_shape[1] - 1) / 2, (sub_shape[0] - 1) / 2])
    matrix = placed_matrix(
        scale=scale,
        rotation_deg=rotation_deg,
        mirrored=mirrored,
        centre=centre,
        target=np.array([(nx - 1) / 2, (ny - 1) / 2]) + shift,
        skew=skew,
    )
    reach = 2 * np.hypot(nx, ny)
    count = rng.poisson(stars * reach * reach / (nx * ny))
    sky = rng.uniform(-reach / 2, reach / 2, (count, 2)) + np.array([nx / 2, ny / 2])
    flux = rng.pareto(1.0, count) + 1
    inverse = np.linalg.inv(matrix)
    on_sub = sky @ inverse[:2, :2].T + inverse[:2, 2]
    reference_xy, reference_flux = _seen(
        rng, sky, flux, shape, noise_px=reference_noise_px, missing=missing, false=false,
        flux_scatter=flux_scatter,
    )  # fmt: skip
    xy, sub_flux = _seen(
        rng, on_sub, flux, sub_shape, noise_px=noise_px, missing=missing, false=false,
        flux_scatter=flux_scatter,
    )  # fmt: skip
    return FieldPair(
        xy=xy,
        flux=sub_flux,
        reference_xy=reference_xy,
        reference_flux=reference_flux,
        matrix=matrix,
        sub_shape=sub_shape,
    )


def _seen(rng, xy, flux, shape, *, noise_px, missing, false, flux_scatter):
    """The list that one exposure gives: cut to the frame, blurred, shuffled."""
    ny, nx = shape
    inside = ((xy >= 0) & (xy <= [nx - 1, ny - 1])).all(axis=1)
    inside &= rng.random(len(xy)) >= missing
    seen_xy = xy[inside] + rng.normal(0, noise_px, (inside.sum(), 2)) if noise_px else xy[inside]
    seen_flux = flux[inside] * np.exp(rng.normal(0, flux_scatter, inside.sum()))
    extra = round(len(seen_xy) * false / (1 - false))
    seen_xy = np.vstack([seen_xy, rng.uniform(0, 1, (extra, 2)) * [nx - 1, ny - 1]])
    seen_flux = np.concatenate([seen_flux, rng.pareto(1.0, extra) + 1])
    order = rng.permutation(len(seen_xy))
    return seen_xy[order], seen_flux[order]


def worst_error(matrix, pair):
    """Largest distance between fitted and true place anywhere in the sub's frame."""
    ny, nx = pair.sub_shape
    y, x = np.mgrid[0 : ny - 1 : 9j, 0 : nx - 1 : 9j]
    points = np.column_stack([x.ravel(), y.ravel(), np.ones(x.size)])
    return float(np.linalg.norm((points @ (matrix - pair.matrix).T)[:, :2], axis=1).max())
