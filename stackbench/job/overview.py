"""What a night holds, what calibrates what, and what is missing: headers only."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from stackbench.calibration.matching import CalibrationPlan, MatchingOptions
from stackbench.calibration.records import CalibrationSet, Serving
from stackbench.frames.checksums import file_sha256
from stackbench.frames.groups import LightGroup, light_groups
from stackbench.frames.labels import Label
from stackbench.frames.records import Frame, Problem
from stackbench.frames.scan import scan_folders
from stackbench.job.borrowing import plan_with_library
from stackbench.job.labelling import lay_labels
from stackbench.job.library import Library
from stackbench.job.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class ServedGroup:
    """A group of lights, and each serving with the lights that it serves."""

    group: LightGroup
    servings: tuple[tuple[Serving, tuple[Frame, ...]], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """What a job would work on, from the headers alone."""

    groups: tuple[ServedGroup, ...]
    plan: CalibrationPlan
    problems: tuple[Problem, ...]


def overlook(
    folders: Sequence[Path],
    *,
    skip: Sequence[Path] = (),
    library: Library | None = None,
    store: Store | None = None,
    options: MatchingOptions | None = None,
) -> Overview:
    """Read the headers of a night's frames and plan their calibration.

    Parameters
    ----------
    folders : sequence of Path
        The nights' folders.
    skip : sequence of Path
        Folders within them that are passed over.
    library : Library, optional
        Masters kept from earlier nights.
    store : Store, optional
        What an earlier run kept; kinds and filters set by hand hold.
    options : MatchingOptions, optional
        How darks are brought to lights that differ from them.

    Returns
    -------
    Overview
        Groups of lights with what serves them, all sets, and all problems.
    """
    scan = scan_folders(folders, skip=skip)
    labels = {} if store is None else _labels_of(scan.frames, store)
    told = lay_labels(scan.frames, scan.problems, labels, folders=folders)
    return overview_of(told.frames, told.problems, library=library, options=options)


def _labels_of(frames: Sequence[Frame], store: Store) -> dict[Path, Label]:
    """Find the frames' labels; files are summed only where there are labels at all."""
    labels = store.labels()
    found: dict[Path, Label] = {}
    for frame in frames if labels else ():
        try:
            checksum = store.known_checksum(frame) or file_sha256(frame.path)
        except OSError:  # unreadable to its end, it takes no part in a job whatever its label
            continue
        if checksum in labels:
            found[frame.path] = labels[checksum]
    return found


_NO_LIGHTS = Problem(
    what="No light frames were found.",
    why="none of the files that can be read is a light by its header, so nothing is stacked",
    remedy="name the folder that holds the lights, or set by hand which frames are lights",
)


def overview_of(
    frames: Sequence[Frame],
    problems: Sequence[Problem] = (),
    *,
    library: Library | None = None,
    options: MatchingOptions | None = None,
) -> Overview:
    """Plan the calibration of frames whose facts are known.

    Parameters
    ----------
    frames : sequence of Frame
        Frames of all kinds, lights with targets.
    problems : sequence of Problem
        What went wrong before.
    library : Library, optional
        Masters kept from earlier nights.
    options : MatchingOptions, optional
        How darks are brought to lights that differ from them.

    Returns
    -------
    Overview
        The same problems and those of the calibration plan, each once.
    """
    plan, doubts = plan_with_library(frames, library, options=options)
    groups = tuple(
        ServedGroup(group=group, servings=_servings_of(group, plan))
        for group in light_groups(frames)
    )
    found = dict.fromkeys((*problems, *doubts))
    if not groups:
        found[_NO_LIGHTS] = None
    for served in groups:
        for serving, _ in served.servings:
            found.update(dict.fromkeys(serving.problems))
            if serving.flat is not None:
                for flat in serving.flat.frames:
                    found.update(dict.fromkeys(plan.servings[flat.path].problems))
    return Overview(groups=groups, plan=plan, problems=tuple(found))


def times_served(servings: Iterable[Serving]) -> Counter[CalibrationSet]:
    """Count the lights that each set serves.

    Parameters
    ----------
    servings : iterable of Serving
        One per light.

    Returns
    -------
    Counter of CalibrationSet
        Sets that serve none count 0.
    """
    counts: Counter[CalibrationSet] = Counter()
    for serving in servings:
        # a dark that is subtracted as taken has its bias inside
        inside = serving.dark is not None and serving.dark_scale is None
        bias = None if inside else serving.bias
        counts.update(one for one in (bias, serving.dark, serving.flat) if one is not None)
    return counts


def _servings_of(
    group: LightGroup, plan: CalibrationPlan
) -> tuple[tuple[Serving, tuple[Frame, ...]], ...]:
    # equal servings of lights with slightly different needs are shown as one
    served: list[tuple[Serving, list[Frame]]] = []
    for light in group.frames:
        serving = plan.servings[light.path]
        for known, lights in served:
            if known == serving:
                lights.append(light)
                break
        else:
            served.append((serving, [light]))
    return tuple((serving, tuple(lights)) for serving, lights in served)
