"""Simulating a whole night of frames into a folder."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from tests.support.simulator.camera import (
    Image,
    Signature,
    camera_signature,
    developed,
    flat_field,
)
from tests.support.simulator.cosmics import add_cosmics
from tests.support.simulator.field import Column, StarField, random_field
from tests.support.simulator.files import write_frame
from tests.support.simulator.geometry import inverse, mapped, mapped_angle
from tests.support.simulator.headers import FrameFacts, frame_header
from tests.support.simulator.plan import NightPlan
from tests.support.simulator.profile import recorded_shape
from tests.support.simulator.schedule import PlannedFrame, PlannedLight, planned_frames
from tests.support.simulator.sky import airmass
from tests.support.simulator.stamps import draw_stars, draw_trail
from tests.support.simulator.truth import FrameTruth, LightTruth, NightTruth


def simulate_night(
    folder: Path, *, rng: np.random.Generator, night: NightPlan, workers: int = 1
) -> NightTruth:
    """Write all raw frames of a night, and tell what is true of them.

    Parameters
    ----------
    folder : Path
        Where to write; made if missing. No file in it is overwritten.
    rng : numpy.random.Generator
        Source of randomness: the same state and plan give the same files,
        whatever the number of workers.
    night : NightPlan
        What to simulate.
    workers : int
        Threads that make frames; each holds one float32 image.

    Returns
    -------
    NightTruth
        Truth of every frame, star and pixel.
    """
    field_rng, camera_rng, flat_rng, air_rng = rng.spawn(4)
    stars = night.stars if night.stars is not None else _stars(field_rng, night)
    signature = camera_signature(camera_rng, night.shape, night.camera)
    flats = {
        plan.name: flat_field(one_rng, signature, night.optics)
        for plan, one_rng in zip(night.filters, flat_rng.spawn(len(night.filters)), strict=True)
    }
    maker = _FrameMaker(folder, night, stars, signature, flats)
    planned = planned_frames(night, air_rng)
    with ThreadPoolExecutor(max_workers=workers) as pool:
        frames = tuple(pool.map(maker.make, planned, rng.spawn(len(planned))))
    return NightTruth(plan=night, frames=frames, stars=stars, signature=signature, flats=flats)


def _stars(rng: np.random.Generator, night: NightPlan) -> StarField:
    field = night.field
    return random_field(
        rng,
        night.shape,
        field.stars,
        flux_range=field.flux_e_s,
        slope=field.slope,
        colour_spread=field.colour_spread,
        margin_px=field.margin_px,
        separation_px=field.separation_px,
        square=len({session.camera_angle_deg for session in night.sessions}) > 1,
    )


class _FrameMaker:
    """Makes single frames of one night; safe to use from several threads."""

    def __init__(
        self,
        folder: Path,
        night: NightPlan,
        stars: StarField,
        signature: Signature,
        flats: dict[str, Image],
    ) -> None:
        self._folder = folder
        self._night = night
        self._stars = stars
        self._signature = signature
        self._flats = flats

    def make(self, planned: PlannedFrame, rng: np.random.Generator) -> FrameTruth:
        night, camera = self._night, self._night.camera
        light, flat = None, self._signature.response
        photons = np.zeros((1, night.shape[1]), dtype=np.float32)
        if planned.filter is not None:
            flat = self._flats[planned.filter]
        if planned.level_adu is not None:
            photons += np.float32(planned.level_adu * camera.gain_e_adu)
        if planned.light is not None:
            photons = self._sky_and_stars(planned.filter, planned.light)
            megapixels = photons.size / 1e6
            hits = rng.poisson(camera.cosmics_per_mpx_s * megapixels * planned.exposure_s)
            light = _light_truth(planned.light, add_cosmics(photons, flat, rng, hits))
        measured = planned.set_temperature_c + round(0.05 * float(rng.standard_normal()), 1)
        rows = developed(
            photons,
            signature=self._signature,
            camera=camera,
            flat=flat,
            exposure_s=planned.exposure_s,
            temperature_c=planned.set_temperature_c,
            hours=(planned.time - night.sessions[0].start).total_seconds() / 3600,
            rng=rng,
        )
        path = self._folder.joinpath(*planned.path.parts)
        header = frame_header(night, planned.dialect, self._facts(planned, measured))
        write_frame(path, header, rows, shape=self._signature.bias_adu.shape)
        return FrameTruth(
            path=path,
            kind=planned.kind,
            exposure_s=planned.exposure_s,
            time=planned.time,
            temperature_c=planned.set_temperature_c,
            filter=planned.filter,
            level_adu=planned.level_adu,
            light=light,
        )

    def _facts(self, planned: PlannedFrame, measured: float) -> FrameFacts:
        light = planned.light
        return FrameFacts(
            kind=planned.kind,
            exposure_s=planned.exposure_s,
            time=planned.time,
            temperature_c=round(measured, 1),
            set_temperature_c=planned.set_temperature_c,
            filter=planned.filter,
            airmass=airmass(planned.time, self._night.site, self._night.pointing),
            focus=light.focus if light else None,
            ambient_c=light.ambient_c if light else None,
            camera_angle_deg=round(light.camera_angle_deg, 2) if light else 0.0,
            to_grid=light.to_grid if light else None,
        )

    def _sky_and_stars(self, filter_name: str | None, light: PlannedLight) -> Image:
        """Give the expected photo-electrons of a sub before flat-field losses."""
        night, state = self._night, light.state
        filter_plan = night.filter_plan(str(filter_name))
        nx = night.shape[1]
        slope_x = 1 + night.air.gradient * (np.arange(nx) / max(nx - 1, 1) - 0.5)
        photons: Image = np.empty(night.shape, dtype=np.float32)
        photons[:] = (state.sky_e * slope_x).astype(np.float32)
        gain = filter_plan.exposure_s * state.transparency
        rate = self._stars.flux_in(
            throughput=filter_plan.throughput, colour_term=filter_plan.colour_term
        )
        to_sub = inverse(light.to_grid)
        x, y = mapped(to_sub, self._stars.x, self._stars.y)
        profile = state.profile
        fwhm = profile.fwhm_px * self._tilted(x, y)
        images = [(0.0, 0.0, 1.0)]
        if state.bump is not None:
            part = state.bump.fraction
            images = [(0.0, 0.0, 1 - part), (*state.bump.offset_px, part)]
        for dx, dy, part in images:
            draw_stars(
                photons,
                x + dx,
                y + dy,
                rate * gain * part,
                fwhm_px=fwhm,
                axis_ratio=profile.axis_ratio,
                angle_deg=profile.angle_deg,
                profile=profile.kind,
                beta=profile.beta,
                floor=0.005 * (state.sky_e + night.camera.read_noise_e**2) ** 0.5,
            )
        self._add_extended(photons, filter_plan.name, light, gain)
        for trail in state.satellites:
            draw_trail(
                photons,
                angle_deg=trail.angle_deg,
                offset_px=trail.offset_px,
                width_px=trail.width_px,
                peak=trail.peak_e,
            )
        return photons

    def _tilted(self, x: Column, y: Column) -> Column:
        """Give each place's FWHM relative to that in the frame's middle."""
        (ny, nx), (along_x, along_y) = self._night.shape, self._night.optics.tilt
        factor: Column = 1 + along_x * ((x + 0.5) / nx - 0.5) + along_y * ((y + 0.5) / ny - 0.5)
        return factor

    def _add_extended(
        self, photons: Image, filter_name: str, light: PlannedLight, gain: float
    ) -> None:
        to_sub = inverse(light.to_grid)
        seeing = light.state.profile.fwhm_px
        for source in self._night.extended:
            x, y = mapped(to_sub, np.array([source.x]), np.array([source.y]))
            root = source.axis_ratio**0.5
            major = np.hypot(source.fwhm_px / root, seeing)
            minor = np.hypot(source.fwhm_px * root, seeing)
            draw_stars(
                photons,
                x,
                y,
                source.flux_e_s.get(filter_name, 0.0) * gain,
                fwhm_px=(major * minor) ** 0.5,
                axis_ratio=minor / major,
                angle_deg=mapped_angle(to_sub, np.array([source.angle_deg])),
                profile="gaussian",
            )


def _light_truth(light: PlannedLight, cosmic_pixels: np.ndarray) -> LightTruth:
    state = light.state
    return LightTruth(
        index=light.index,
        session=light.session,
        to_grid=light.to_grid,
        transparency=state.transparency,
        sky_e=state.sky_e,
        profile=state.profile,
        recorded=recorded_shape(state.profile) if state.bump is None else None,
        faults=light.faults,
        cosmic_pixels=cosmic_pixels,
    )
