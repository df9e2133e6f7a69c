"""What speaks against the calibration, told when masters and lights are measured."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path
from statistics import median

from stackbench.calibration.doubts import (
    gain_problem,
    glow_problem,
    leak_problem,
    negative_problem,
    residue_problem,
)
from stackbench.calibration.records import CalibrationSet, Serving
from stackbench.calibration.sets import set_name
from stackbench.frames.records import CameraSetup, Kind, Problem
from stackbench.job.bench import Bench
from stackbench.job.camera import bias_under, camera_numbers
from stackbench.job.darksignal import dark_signal
from stackbench.job.finding import Found
from stackbench.job.measuring import MeasuredSub
from stackbench.job.residues import recall_residue
from stackbench.job.shelf import MasterShelf
from stackbench.job.workshop import Workshop


def calibration_doubts(
    shop: Workshop,
    subs: Mapping[Path, MeasuredSub],
) -> tuple[Problem, ...]:
    """Tell what speaks against the calibration of a night.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    subs : mapping of Path to MeasuredSub
        The measured lights.

    Returns
    -------
    tuple of Problem
        Light leaks and glow in darks, lights below their dark or bias, flats
        that leave their shape behind, headers with a wrong gain.
    """
    lights = [(shop.plan.servings[path], sub) for path, sub in subs.items()]
    servings = list(dict.fromkeys(serving for serving, _ in lights))
    problems: list[Problem | None] = [
        *dark_doubts(shop),
        *_glow(shop, servings),
        *_negative(shop.shelf, lights),
        *_residues(shop.bench, lights),
    ]
    cameras = dict.fromkeys(sub.frame.setup.camera for sub in subs.values())
    problems += [gain_doubt(shop, camera) for camera in cameras]
    return tuple(one for one in problems if one is not None)


def dark_doubts(shop: Workshop) -> Iterator[Problem | None]:
    """Look for light leaks in the night's darks.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.

    Yields
    ------
    Problem or None
        One for each dark that has a bias to be freed of.
    """
    plan, shelf = shop.plan, shop.shelf
    for one in plan.sets:
        dark = shelf.get(one)
        if one.kind is not Kind.DARK or dark is None:
            continue
        bias = bias_under(plan, shelf, one)
        if bias is not None:
            shape = dark_signal(shop.bench, shop.desk, dark, bias).shape
            yield leak_problem(shape, name=set_name(one))


def gain_doubt(
    shop: Workshop,
    camera: CameraSetup,
) -> Problem | None:
    """Compare the headers' gain with the one measured.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    camera : CameraSetup
        The camera with its settings.

    Returns
    -------
    Problem or None
        None when they agree, or one is unknown.
    """
    stated = stated_gain(shop.found, camera)
    if stated is None:
        return None
    numbers = camera_numbers(shop, camera)
    measured = numbers.gain_e_per_adu if numbers is not None else None
    return gain_problem(stated, measured, name=camera.camera or "the camera")


def stated_gain(found: Found, camera: CameraSetup) -> float | None:
    """Tell what the headers give as the gain.

    Parameters
    ----------
    found : Found
        The job's frames.
    camera : CameraSetup
        The camera with its settings.

    Returns
    -------
    float or None
        e⁻/ADU, the median over the camera's frames; None when none states it.
    """
    stated = [
        frame.egain_e_per_adu
        for frame in found.frames
        if frame.setup.camera == camera and frame.egain_e_per_adu
    ]
    return median(stated) if stated else None


def _glow(shop: Workshop, servings: list[Serving]) -> Iterator[Problem | None]:
    scaled = dict.fromkeys((s.dark, s.bias, s.dark_scale) for s in servings)
    for one, bias_set, scale in scaled:
        dark, bias = shop.shelf.get(one), shop.shelf.get(bias_set)
        if one is not None and dark is not None and bias is not None and scale is not None:
            yield glow_problem(
                dark_signal(shop.bench, shop.desk, dark, bias).shape,
                dark_scale=scale,
                noise_adu=dark.facts.frame_noise_adu or 0.0,
                name=set_name(one),
            )


def _negative(
    shelf: MasterShelf, lights: list[tuple[Serving, MeasuredSub]]
) -> Iterator[Problem | None]:
    skies: dict[CalibrationSet, list[float]] = defaultdict(list)
    for serving, sub in lights:
        under = serving.dark if shelf.get(serving.dark) is not None else serving.bias
        if under is not None and shelf.get(under) is not None:
            skies[under].append(sub.measures.sky_adu)
    for one, values in skies.items():
        yield negative_problem(values, name=set_name(one))


def _residues(bench: Bench, lights: list[tuple[Serving, MeasuredSub]]) -> Iterator[Problem | None]:
    residues = defaultdict(list)
    for serving, sub in lights:
        residue = recall_residue(bench, sub.key) if serving.flat is not None else None
        if serving.flat is not None and residue is not None:
            residues[serving.flat].append(residue)
    for flat, found in residues.items():
        yield residue_problem(found, name=set_name(flat))
