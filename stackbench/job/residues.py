"""What is left of the flat in some of the lights, noted while they are measured."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench import __version__
from stackbench.calibration.flatresidue import FlatResidue
from stackbench.calibration.matching import CalibrationPlan
from stackbench.calibration.records import CalibrationSet
from stackbench.frames.records import Frame
from stackbench.job.bench import Bench
from stackbench.job.keys import key_of

_LIGHTS_PER_FLAT = 5


def looked_at(plan: CalibrationPlan, lights: Sequence[Frame]) -> set[Path]:
    """Choose the lights whose background is compared with their flat.

    Parameters
    ----------
    plan : CalibrationPlan
        What serves the lights.
    lights : sequence of Frame
        The lights that are about to be measured.

    Returns
    -------
    set of Path
        Up to five of each flat, spread over the night.
    """
    by_flat: dict[CalibrationSet, list[Path]] = defaultdict(list)
    for light in lights:
        flat = plan.servings[light.path].flat
        if flat is not None:
            by_flat[flat].append(light.path)
    chosen: set[Path] = set()
    for paths in by_flat.values():
        places = np.linspace(0, len(paths) - 1, min(_LIGHTS_PER_FLAT, len(paths))).round()
        chosen.update(paths[int(place)] for place in places)
    return chosen


def keep_residue(
    bench: Bench, key: str, data: NDArray[np.float32], multiply: NDArray[np.float32] | None
) -> None:
    """Measure what is left of the flat in a calibrated light, and keep it.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    key : str
        The key of the light's measures.
    data : ndarray, shape (ny, nx), float32
        The calibrated light, ADU.
    multiply : ndarray of the same shape, or None
        The inverse of its flat; None when there is none.
    """
    from stackbench.calibration.flatresidue import flat_residue
    from stackbench.calibration.smooth import tile_medians

    residue = None
    if multiply is not None:
        inverse = tile_medians(multiply)
        residue = flat_residue(tile_medians(data), 1 / inverse)
    record = {"residue": None if residue is None else asdict(residue)}
    bench.store.keep("flat residue", _key(key), record)


def recall_residue(bench: Bench, key: str) -> FlatResidue | None:
    """Recall what was left of the flat in a light.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    key : str
        The key of the light's measures.

    Returns
    -------
    FlatResidue or None
        None for a light that was not looked at, or that tells nothing.
    """
    known = bench.store.recall("flat residue", _key(key))
    if known is None or known[0]["residue"] is None:
        return None
    return FlatResidue(**known[0]["residue"])


def _key(key: str) -> str:
    return key_of(__version__, "flat residue", key)
