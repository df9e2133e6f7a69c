"""Star fluxes of a whole job against the truth, with stars far apart."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from stackbench.frames.records import Kind
from stackbench.registration.transforms import apply
from tests.support.jobs import lights, run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.faults import Cloud, PlacedFault
from tests.support.simulator.night import simulate_night

RADIUS = 8.0


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    plan = plan_small_night(
        shape=(480, 640),
        filters=("L",),
        lights=8,
        stars=60,
        faults=(PlacedFault(filter="L", index=2, fault=Cloud(transparency=0.8)),),
    )
    plan = replace(plan, field=replace(plan.field, stars=60, separation_px=44.0))
    return folder, simulate_night(folder, rng=np.random.default_rng(7), night=plan)


def test_bright_stars_keep_their_flux_to_one_per_cent_through_thin_cloud(night, tmp_path):
    folder, truth = night
    record = run_night(folder, out=tmp_path)
    stack = record["stacks"][0]
    subs = lights(record)
    assert all(sub["verdict"] == "keep" for sub in subs.values())
    image = fits.getdata(tmp_path / stack["path"]).astype(np.float64)
    reference = truth.light_at(Path(stack["reference"]))
    grid = next(sub for sub in subs.values() if sub["is_reference"])
    from_sky = np.linalg.inv(truth.light_at(Path(grid["path"])).to_grid)
    x, y = apply(from_sky, np.column_stack([truth.stars.x, truth.stars.y])).T
    flux = truth.star_flux_adu("L") * reference.transparency
    errors = []
    for star in np.argsort(flux)[::-1]:
        inside = 25 < x[star] < 615 and 25 < y[star] < 455
        if not inside or flux[star] * 0.12 > truth.plan.camera.saturation_adu or len(errors) >= 25:
            continue
        # what the same aperture holds of the star's profile, typical of the subs
        profile = reference.profile
        alpha = profile.fwhm_px / (2 * np.sqrt(2 ** (1 / profile.beta) - 1))
        held = 1 - (1 + (RADIUS / alpha) ** 2) ** (1 - profile.beta)
        errors.append(_aperture(image, x[star], y[star]) / (flux[star] * held) - 1)
    assert len(errors) >= 15
    assert abs(np.median(errors)) < 0.01
    assert np.median(np.abs(errors)) < 0.01
    assert len(truth.of_kind(Kind.LIGHT)) == 8


def _aperture(image, x, y):
    rows, columns = np.indices(image.shape)
    distance = np.hypot(columns - x, rows - y)
    sky = np.nanmedian(image[(distance > 14) & (distance < 20)])
    share = np.clip(RADIUS + 0.5 - distance, 0, 1)
    inside = share > 0
    return float(np.nansum(share[inside] * (image[inside] - sky)))
