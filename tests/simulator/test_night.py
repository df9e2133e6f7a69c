"""A simulated night shows the stars, transforms and faults that its truth tells."""

import bz2
import gzip
import hashlib
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from scipy.spatial.distance import pdist

from stackbench.frames.records import Kind
from tests.support.make_sample import FOLDER, make_sample
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.faults import (
    Bump,
    Cloud,
    Dawn,
    Defocus,
    PlacedFault,
    Satellite,
    Trail,
)
from tests.support.simulator.field import ExtendedSource, random_field
from tests.support.simulator.geometry import mapped, similarity
from tests.support.simulator.image import simulate_field
from tests.support.simulator.night import simulate_night
from tests.support.simulator.plan import AirPlan, CameraPlan, Dialect, FieldPlan, MountPlan
from tests.support.simulator.profile import StarProfile

CALM = AirPlan(
    transparency_drift=0.0,
    transparency_jitter=0.0,
    seeing_drift=0.0,
    seeing_jitter=0.0,
    sky_drift=0.0,
    gradient=0.0,
)
CLEAN = CameraPlan(hot_fraction=0.0, low_fraction=0.0, cosmics_per_mpx_s=0.0, glow_e_s=0.0)
BRIGHT = FieldPlan(stars=14, flux_e_s=(800.0, 2500.0), separation_px=50.0)
ONE_BIAS = plan_small_night(
    shape=(50, 70), stars=6, filters=("L",), lights=0, flats=0, bias=1, darks=0
)
SUFFIXES = ("", ".gz", ".bz2", ".fz")

FAULTS = (
    Cloud(transparency=0.4, sky_factor=1.5),
    Trail(axis_ratio=0.5, angle_deg=30.0),
    Defocus(factor=1.8),
    Satellite(angle_deg=20.0, offset_px=12.0, peak_e=2000.0),
    Bump(offset_px=(9.0, 0.0), fraction=0.4),
    Dawn(sky_factor=6.0),
)


def _calibrated(truth, frame):
    """Apply the true bias, dark and flat; electrons."""
    raw = fits.getdata(frame.path).astype(np.float64) - truth.signature.bias_adu
    camera = truth.plan.camera
    dark = truth.signature.dark_e_s * frame.exposure_s
    return (raw * camera.gain_e_adu - dark) / truth.flats[frame.filter]


def _well_inside(truth, light, margin=25):
    x, y = truth.star_positions(light)
    ny, nx = truth.plan.shape
    return np.flatnonzero(
        (x > margin) & (x < nx - 1 - margin) & (y > margin) & (y < ny - 1 - margin)
    )


def _aperture(image, x, y, radius):
    rows, columns = np.indices(image.shape)
    inside = np.hypot(columns - x, rows - y) <= radius
    weight = image[inside]
    return (
        weight.sum(),
        (weight * columns[inside]).sum() / weight.sum(),
        (weight * rows[inside]).sum() / weight.sum(),
    )


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    plan = plan_small_night(
        filters=("L",),
        lights=8,
        bias=2,
        darks=2,
        flats=2,
        faults=tuple(
            PlacedFault(filter="L", index=index, fault=fault)
            for index, fault in enumerate(FAULTS, start=1)
        ),
    )
    plan = replace(plan, air=CALM, camera=CLEAN, field=BRIGHT)
    folder = tmp_path_factory.mktemp("faulty")
    return simulate_night(folder, rng=np.random.default_rng(8), night=plan)


@pytest.fixture(scope="module")
def turned(tmp_path_factory):
    plan = plan_small_night(filters=("L",), lights=4, bias=1, darks=0, flats=1, turned_night=True)
    plan = replace(plan, camera=CLEAN, field=BRIGHT, wcs=True, air=CALM)
    folder = tmp_path_factory.mktemp("turned")
    return simulate_night(folder, rng=np.random.default_rng(4), night=plan)


def test_stars_lie_where_the_transforms_say(turned):
    angles, checked = [], 0
    for frame in turned.of_kind(Kind.LIGHT):
        light = frame.light
        angles.append(np.degrees(np.arctan2(light.to_grid[1, 0], light.to_grid[0, 0])) % 360)
        image = _calibrated(turned, frame) - light.sky_e
        x, y = turned.star_positions(light)
        assert np.allclose(mapped(light.to_grid, x, y), (turned.stars.x, turned.stars.y))
        for star in _well_inside(turned, light):
            _, x_seen, y_seen = _aperture(image, x[star], y[star], 6.0)
            assert (x_seen, y_seen) == pytest.approx((x[star], y[star]), abs=0.15)
            checked += 1
    assert np.allclose(angles, [0, 0, 180.35, 180.35, 90, 90, 270.35, 270.35], atol=0.02)
    assert checked > 40


def test_each_light_carries_the_world_coordinates_of_the_grid(turned):
    # a new pixel p' = M p + t leaves each star's sky position the same
    # (Greisen & Calabretta 2002, A&A 395, 1061, by the chain rule)
    skies = []
    for frame in turned.of_kind(Kind.LIGHT):
        world = WCS(fits.getheader(frame.path), fix=False)
        x, y = turned.star_positions(frame.light)
        skies.append(np.array(world.pixel_to_world_values(x, y)))
    for sky in skies[1:]:
        assert np.abs(sky - skies[0]).max() * 3600 < 1e-3
    scale = 206.264806 * 3.76 / 530  # 1.463313″/px, from pixel size and focal length
    assert turned.plan.scale_arcsec_px == pytest.approx(1.463313, abs=1e-6)
    world = WCS(fits.getheader(turned.of_kind(Kind.LIGHT)[0].path), fix=False)
    assert np.sqrt(abs(np.linalg.det(world.pixel_scale_matrix))) * 3600 == pytest.approx(
        scale, rel=1e-6
    )
    assert np.linalg.det(world.pixel_scale_matrix) < 0  # north up, east left


def test_star_fluxes_and_sky_are_those_of_the_truth(faulty):
    frame = faulty.of_kind(Kind.LIGHT)[0]
    light = frame.light
    image = _calibrated(faulty, frame)
    assert np.median(image) == pytest.approx(light.sky_e, rel=0.02)
    x, y = faulty.star_positions(light)
    expected = faulty.star_flux_adu("L") * faulty.plan.camera.gain_e_adu
    # Moffat 1969, A&A 3, 455: flux within r is 1 − (1 + r²/α²)^(1−β), β = 3 (derivable)
    alpha = light.profile.fwhm_px / 1.019649
    within = 1 - (1 + (12.0 / alpha) ** 2) ** -2
    for star in _well_inside(faulty, light):
        flux, _, _ = _aperture(image - light.sky_e, x[star], y[star], 12.0)
        assert flux == pytest.approx(expected[star] * within, rel=0.03)


def test_faults_are_where_the_plan_puts_them(faulty):
    lights = [frame.light for frame in faulty.of_kind(Kind.LIGHT)]
    assert [light.faults for light in lights] == [(), *((fault,) for fault in FAULTS), ()]
    good = lights[0]
    assert lights[1].transparency == pytest.approx(0.4)
    assert lights[1].sky_e == pytest.approx(1.5 * good.sky_e)
    assert lights[2].profile.axis_ratio == 0.5
    assert lights[2].recorded.axis_ratio == pytest.approx(0.51, abs=0.02)
    assert lights[3].profile.fwhm_px == pytest.approx(1.8 * good.profile.fwhm_px)
    assert lights[5].recorded is None
    assert lights[6].sky_e == pytest.approx(6 * good.sky_e)


def test_faults_are_seen_in_the_pixels(faulty):
    frames = faulty.of_kind(Kind.LIGHT)
    seen = []
    for frame in frames:
        image = _calibrated(faulty, frame) - frame.light.sky_e
        inside = _well_inside(faulty, frame.light)
        brightest = inside[0]  # sorted by flux
        x, y = faulty.star_positions(frame.light)
        rate = faulty.stars.flux[brightest] * frame.exposure_s
        flux, _, _ = _aperture(image, x[brightest], y[brightest], 14.0)
        j, i = round(y[brightest]), round(x[brightest])
        seen.append(
            (flux / rate, image[j - 1 : j + 2, i - 1 : i + 2].sum() / rate, np.median(image))
        )
    flux, core, sky = (np.array(column) for column in zip(*seen, strict=True))
    assert flux[1] / flux[0] == pytest.approx(0.4, abs=0.02)
    assert core[2] < 0.8 * core[0]  # trailed
    assert core[3] < 0.5 * core[0]  # out of focus
    assert core[5] == pytest.approx(0.6 * core[0], rel=0.12)  # the rest lies 9 px away
    assert np.abs(sky[[0, 1, 6]]).max() < 20  # each sub's own sky was subtracted
    crossed = frames[4]
    trail = faulty.satellite_pixels(crossed.light, level_e=1000.0)
    image = _calibrated(faulty, crossed) - crossed.light.sky_e
    assert np.median(image[trail]) == pytest.approx(1600, rel=0.15)
    assert not faulty.satellite_pixels(frames[0].light, level_e=1.0).any()


def test_flats_and_darks_are_as_planned(faulty):
    levels = [frame.level_adu for frame in faulty.of_kind(Kind.FLAT, "L")]
    for frame, level in zip(faulty.of_kind(Kind.FLAT), levels, strict=True):
        raw = fits.getdata(frame.path).astype(float) - faulty.signature.bias_adu
        assert np.median(raw) == pytest.approx(level, rel=0.005)
        assert (raw / faulty.flats["L"]).std() < 0.02 * level
    assert levels == sorted(levels, reverse=True)
    assert len(faulty.of_kind(Kind.BIAS)) == len(faulty.of_kind(Kind.DARK)) == 2
    assert {frame.exposure_s for frame in faulty.of_kind(Kind.DARK)} == {60.0}


def test_cosmic_rays_are_told(tmp_path):
    plan = plan_small_night(filters=("L",), lights=1, flats=1, bias=0, darks=0)
    plan = replace(plan, camera=replace(CLEAN, cosmics_per_mpx_s=5.0), air=CALM)
    truth = simulate_night(tmp_path, rng=np.random.default_rng(1), night=plan)
    frame = truth.of_kind(Kind.LIGHT)[0]
    hits = frame.light.cosmic_pixels
    assert 20 < len(hits) < 1000
    image = _calibrated(truth, frame) - frame.light.sky_e
    sigma = np.sqrt(frame.light.sky_e)
    assert np.median(image[hits[:, 1], hits[:, 0]]) > 10 * sigma


def _digests(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_same_seed_same_bytes_whatever_the_threads(tmp_path):
    plan = plan_small_night(
        shape=(60, 80),
        stars=6,
        lights=3,
        flats=2,
        bias=4,
        darks=2,
        suffixes=("", ".gz", ".bz2", ".fz"),
    )
    for name, seed, workers in (("one", 5, 1), ("two", 5, 3), ("other", 6, 1)):
        simulate_night(
            tmp_path / name, rng=np.random.default_rng(seed), night=plan, workers=workers
        )
    one = _digests(tmp_path / "one")
    assert len(one) == 3 * 2 + 2 * 2 + 4 + 2
    assert one == _digests(tmp_path / "two")
    assert not set(one.values()) & set(_digests(tmp_path / "other").values())


def test_packed_frames_hold_the_same_pixels(tmp_path):
    plan = plan_small_night(
        shape=(50, 70), stars=6, filters=("L",), lights=0, flats=0, bias=1, darks=0
    )
    pixels = []
    for suffix in SUFFIXES:
        truth = simulate_night(
            tmp_path / f"as{suffix}",
            rng=np.random.default_rng(5),
            night=replace(plan, suffixes=(suffix,)),
        )
        (path,) = (frame.path for frame in truth.frames)
        assert path.name.endswith(suffix)
        pixels.append(fits.getdata(path))
        if suffix == ".gz":
            plain = gzip.decompress(path.read_bytes())
        elif suffix == ".bz2":
            assert bz2.decompress(path.read_bytes()) == plain
    assert all(np.array_equal(pixels[0], image) for image in pixels[1:])
    assert len(plain) % 2880 == 0  # FITS Standard 3.0, sect. 3.1 and eq. 4.2


def test_no_frame_is_overwritten(tmp_path):
    plan = plan_small_night(
        shape=(20, 30), stars=1, filters=("L",), lights=0, flats=0, bias=1, darks=0
    )
    simulate_night(tmp_path, rng=np.random.default_rng(5), night=plan)
    with pytest.raises(FileExistsError):
        simulate_night(tmp_path, rng=np.random.default_rng(5), night=ONE_BIAS)


def test_dialects_say_the_same_in_different_words(tmp_path):
    plan = plan_small_night(
        shape=(30, 40), stars=2, filters=("L", "OIII"), lights=1, flats=1, bias=1
    )
    heron = replace(plan.filters[1], dialect=Dialect.HERON)
    plan = replace(plan, filters=(plan.filters[0], heron))
    truth = simulate_night(tmp_path, rng=np.random.default_rng(5), night=plan)
    tern_light, heron_light = (
        fits.getheader(truth.of_kind(Kind.LIGHT, name)[0].path) for name in ("L", "OIII")
    )
    assert tern_light["IMAGETYP"] == "Light Frame"
    assert tern_light["FILTER"] == "Lum"
    assert tern_light["EXPTIME"] == heron_light["EXPOSURE"] == 60.0
    assert heron_light["FRAME"] == "light"
    assert heron_light["FILTER"] == "O-III"
    assert "IMAGETYP" not in heron_light
    assert "FILTER" in fits.getheader(truth.of_kind(Kind.BIAS)[0].path)  # and means nothing
    assert "CCD-TEMP" not in heron_light
    hours, minutes, seconds = (float(part) for part in tern_light["OBJCTRA"].split())
    assert 15 * (hours + minutes / 60 + seconds / 3600) == pytest.approx(
        heron_light["RA"], abs=1e-3
    )
    assert tern_light["SITELONG"] == "-41 15 00.0"
    for key in ("INSTRUME", "TELESCOP", "FOCALLEN", "GAIN", "OFFSET", "OBJECT"):
        assert tern_light[key] == heron_light[key]


def test_overscan_is_declared_and_holds_only_the_bias(tmp_path):
    plan = plan_small_night(
        shape=(40, 60), stars=2, filters=("L",), lights=1, flats=1, bias=1, darks=0
    )
    plan = replace(plan, camera=replace(CLEAN, overscan=16))
    truth = simulate_night(tmp_path, rng=np.random.default_rng(5), night=plan)
    flat = truth.of_kind(Kind.FLAT)[0]
    header, data = fits.getheader(flat.path), fits.getdata(flat.path).astype(float)
    assert (header["BIASSEC"], header["TRIMSEC"]) == ("[61:76,1:40]", "[1:60,1:40]")
    assert data.shape == (40, 76)
    assert data[:, 60:].mean() == pytest.approx(500, abs=3)
    assert np.median(data[:, :60]) > 10000


def test_faults_outside_the_plan_are_refused():
    with pytest.raises(ValueError, match="no sub 9"):
        plan_small_night(
            lights=3, faults=(PlacedFault(filter="L", index=9, fault=Dawn(sky_factor=2.0)),)
        )


def test_random_field_follows_its_law():
    rng = np.random.default_rng(3)
    field = random_field(
        rng, (1000, 1500), 3000, flux_range=(1.0, 1000.0), slope=1.0, separation_px=4.0
    )
    assert len(field) == 3000
    # N(>F) ∝ F^−1 between the limits (derivable)
    share = (field.flux > 10.0).mean()
    assert share == pytest.approx((0.1 - 0.001) / (1 - 0.001), abs=0.02)
    assert pdist(np.column_stack([field.x, field.y])).min() >= 4.0
    with pytest.raises(ValueError, match="do not fit"):
        random_field(rng, (50, 50), 100, separation_px=20.0)


def test_similarity_moves_points_as_worked_out():
    # mathematical fact: a half turn about the middle of a 1000 × 800 frame takes the
    # 1-based (100, 200) to (901, 601)
    x, y = mapped(similarity((800, 1000), angle_deg=180.0), np.array([99.0]), np.array([199.0]))
    assert (x[0] + 1, y[0] + 1) == pytest.approx((901, 601))
    mirror = similarity((800, 1000), mirrored=True)
    assert np.linalg.det(mirror[:2, :2]) == pytest.approx(-1.0)
    assert np.linalg.norm(similarity((8, 10), scale=1.5)[:2, 0]) == pytest.approx(1.5)


def test_field_in_memory():
    rng = np.random.default_rng(12)
    matrix = similarity((200, 300), angle_deg=33.0, offset_px=(5.0, -3.0))
    made = simulate_field(
        (200, 300), rng=rng, stars=60, profile=StarProfile(fwhm_px=4.0), to_grid=matrix
    )
    assert made.image.dtype == np.float32
    assert np.allclose(mapped(matrix, made.x, made.y), (made.stars.x, made.stars.y))
    assert made.noise_adu == pytest.approx(np.sqrt(525.0))
    assert 40 <= made.inside().sum() <= 80
    again = simulate_field((200, 300), rng=rng, stars=made.stars, to_grid=matrix, noise=False)
    residual = made.image - again.image
    assert np.median(np.abs(residual)) * 1.4826 == pytest.approx(made.noise_adu, rel=0.1)


def test_extended_sources_shine_in_their_filters(tmp_path):
    glow = ExtendedSource(x=160.0, y=120.0, fwhm_px=40.0, flux_e_s={"Ha": 2.0e4})
    plan = plan_small_night(filters=("Ha", "OIII"), lights=1, flats=1, bias=0, darks=0, stars=1)
    plan = replace(plan, extended=(glow,), camera=CLEAN, air=CALM, mount=MountPlan(dither_px=0.0))
    truth = simulate_night(tmp_path, rng=np.random.default_rng(5), night=plan)
    middle = []
    for name in ("Ha", "OIII"):
        frame = truth.of_kind(Kind.LIGHT, name)[0]
        image = _calibrated(truth, frame) - frame.light.sky_e
        middle.append(np.median(image[117:124, 157:164]))
    # peak of a Gaussian: 4 ln 2 F / (π FWHM²), the seeing added in squares (derivable)
    assert middle[0] == pytest.approx(60 * 2.0e4 * 4 * np.log(2) / (np.pi * (1600 + 9)), rel=0.05)
    assert abs(middle[1]) < 5


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sample")
    return folder, make_sample(folder)


def test_sample_is_what_the_command_makes(sample):
    # Another processor may round a pixel otherwise, by no more than one ADU.
    folder, truth = sample
    kept = {path.relative_to(FOLDER) for path in FOLDER.rglob("*.fit*")}
    assert kept == {path.relative_to(folder) for path in folder.rglob("*.fit*")}
    assert (FOLDER / "README.md").read_text("utf-8") == (folder / "README.md").read_text("utf-8")
    assert sum((FOLDER / path).stat().st_size for path in kept) < 12e6
    for frame in truth.frames:
        with (
            fits.open(FOLDER / frame.path.relative_to(folder)) as old,
            fits.open(frame.path) as new,
        ):
            assert old[0].header.tostring() == new[0].header.tostring()
            difference = old[0].data.astype(int) - new[0].data.astype(int)
        assert np.abs(difference).max() <= 1
        assert np.count_nonzero(difference) < 0.01 * difference.size


def test_each_sub_of_the_sample_has_stars_enough_to_measure(sample):
    _, truth = sample
    camera = truth.plan.camera
    for frame in truth.of_kind(Kind.LIGHT):
        light = frame.light
        inside = _well_inside(truth, light, margin=8)
        electrons = truth.star_flux_adu(frame.filter)[inside] * camera.gain_e_adu
        seen = 0.8 * light.transparency * electrons  # within a circle of FWHM radius, about
        pixels = np.pi * light.profile.fwhm_px**2
        # signal over noise of a star on sky and read noise: S/√(S + n(N_s + R²)),
        # Howell 2006, Handbook of CCD Astronomy, 2nd ed., sect. 4.4 (short form)
        noise = np.sqrt(seen + pixels * (light.sky_e + camera.read_noise_e**2))
        assert np.count_nonzero(seen / noise > 20) >= 60, frame.path.name
