"""The study of a night's cameras: measured, and written as numbers and pictures."""

import json
from collections.abc import Sequence
from pathlib import Path

from pydantic import TypeAdapter

from stackbench.export.files import write_text
from stackbench.export.transferplot import transfer_svg
from stackbench.frames.words import with_error
from stackbench.job.background import Background
from stackbench.job.bench import Bench
from stackbench.job.camerafacts import CameraFacts, camera_facts, cameras_of
from stackbench.job.looking import look_through
from stackbench.job.mastering import make_masters
from stackbench.job.pixels import PixelDesk
from stackbench.job.shelf import MasterShelf
from stackbench.job.workshop import Workshop

FOLDER = "camera"

_FACTS: TypeAdapter[list[CameraFacts]] = TypeAdapter(list[CameraFacts])


def study_cameras(bench: Bench, folders: Sequence[Path]) -> tuple[CameraFacts, ...]:
    """Measure all cameras of some nights, and write what was found.

    Parameters
    ----------
    bench : Bench
        The job's bench; masters of an earlier run are used again.
    folders : sequence of Path
        The nights' folders.

    Returns
    -------
    tuple of CameraFacts
        One for each camera with its settings, as written to camera/camera.json
        in the output folder, with its photon transfer beside it.

    Raises
    ------
    Cancelled
        If the bench's `stop` answered True.
    FrameError
        If a frame cannot be read any more.
    WriteError
        If a file cannot be written.
    """
    looked = look_through(bench, folders)
    plan = looked.overview.plan
    shop = Workshop(
        bench=bench,
        found=looked.found,
        plan=plan,
        shelf=MasterShelf(plan.sets),
        desk=PixelDesk(bench.scratch),
    )
    with Background() as background:
        make_masters(shop, background=background)
        facts = tuple(camera_facts(shop, camera) for camera in cameras_of(plan))
    folder = bench.out / FOLDER
    text = json.dumps(_FACTS.dump_python(list(facts), mode="json"), indent=1, ensure_ascii=False)
    write_text(folder / "camera.json", text + "\n")
    for one in facts:
        if one.numbers is not None and one.line is not None:
            write_text(folder / f"photon-transfer_{one.label}.svg", _plot(one))
    return facts


def _plot(facts: CameraFacts) -> str:
    numbers, line = facts.numbers, facts.line
    if numbers is None or line is None:
        raise ValueError("nothing was measured that could be drawn")
    return transfer_svg(
        numbers.points,
        line,
        title=f"Photon transfer of {facts.camera.camera or facts.label}",
        caption=f"gain {with_error(numbers.gain_e_per_adu, numbers.gain_error)} e⁻/ADU, "
        f"read noise {with_error(numbers.read_noise_e, numbers.read_noise_error)} e⁻",
    )
