"""The report of a night: one page that needs nothing but itself."""

import math
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path, PurePath
from typing import Any

import jinja2
import platformdirs

from stackbench import __version__
from stackbench.export.axes import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH
from stackbench.export.course import MEASURE_TITLES, course_of
from stackbench.export.fieldmap import field_picture
from stackbench.export.files import write_text
from stackbench.export.hues import filter_marks
from stackbench.export.lessons import FigureEntry, StandingEntry
from stackbench.export.night import FrameEntry, Night, StackEntry, iso_time
from stackbench.export.preview import embedded
from stackbench.export.ribbon import night_ribbon
from stackbench.export.summary import evenings_of_findings, lights_of, summarise
from stackbench.review.findings import MOMENT

_TEMPLATES = Path(__file__).parent / "templates"
_UNKNOWN = "–"
_FRAME = {
    "width": WIDTH, "height": HEIGHT, "left": LEFT, "right": WIDTH - RIGHT, "top": TOP,
    "bottom": HEIGHT - BOTTOM,
}  # fmt: skip
_WHOLE_FROM = 100.0  # no digits are left out of whole numbers
_PICTURE = 640  # px, the longer side of an embedded preview


def write_report(path: Path, night: Night) -> None:
    """Write the report of a run.

    Previews are read from the channels' PNG files and embedded smaller; a
    channel whose file is missing is shown without one.

    Parameters
    ----------
    path : Path
        The page to make or to replace.
    night : Night
        The record of the run.

    Raises
    ------
    WriteError
        When the system refuses to write.
    """
    write_text(path, report_html(night))


def report_html(night: Night) -> str:
    """Lay out the report of a run as HTML.

    Parameters
    ----------
    night : Night
        The record of the run.

    Returns
    -------
    str
        One page: style, pictures and charts inside it, no scripts, every
        text from headers escaped.
    """
    lights = lights_of(night)
    marks = filter_marks(light.filter for light in lights)
    page: str = (
        _environment()
        .get_template("report.html.j2")
        .render(
            night=night,
            version=__version__,
            summary=summarise(night),
            lights=lights,
            marks=marks,
            ribbon=night_ribbon(lights, marks=marks, findings=night.findings),
            course=course_of(lights, marks=marks, limits=night.limits),
            frame=_FRAME,
            evenings=evenings_of_findings(night),
            fields=[one for entry in night.field_maps if (one := field_picture(entry))],
            standings=_standings(night),
            best=_best_compared(night),
            channels=[(stack, _picture(night, stack)) for stack in _in_order(night.stacks)],
            masters=night.masters,
            calibrations=_calibrations(lights),
            settings=list(_flat(night.settings)),
            by_name=_by_name,
            titles=MEASURE_TITLES,
            has=_known_of(lights),
        )
    )
    return page


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=_compiled_templates(),
    )
    environment.filters |= {
        "number": _number,
        "span": _span,
        "known": _known,
        "clock": _clock,
        "iso": iso_time,
        "hour": _hour,
        "figure": _figure,
        "hours": _hours,
    }
    return environment


def _compiled_templates() -> jinja2.BytecodeCache | None:
    """Keep compiled templates, which take longer than the page, in the person's cache folder.

    The cache compares checksums of the templates itself. Where the folder cannot
    be made, they are compiled each time.
    """
    folder = Path(platformdirs.user_cache_dir("stackbench", appauthor=False)) / "templates"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    return jinja2.FileSystemBytecodeCache(str(folder))


def _best_compared(night: Night) -> StandingEntry | None:
    """Choose the FWHM that is compared with the most nights, for the summary."""
    compared = [one for one in night.standings if one.measure == "fwhm_px" and one.nights]
    return max(compared, key=lambda one: one.nights, default=None)


def _standings(night: Night) -> dict[tuple[str | None, ...], list[StandingEntry]]:
    """Gather how the night stands by its groups."""
    groups: dict[tuple[str | None, ...], list[StandingEntry]] = {}
    marks = filter_marks(one.filter for one in night.standings)
    # by night, then by filter in the order of wavelengths, as everywhere on the page
    for one in sorted(night.standings, key=lambda one: (one.night, marks[one.filter].order)):
        groups.setdefault((one.night, one.target, one.setup, one.filter), []).append(one)
    return groups


def _known_of(lights: tuple[FrameEntry, ...]) -> dict[str, bool]:
    """Tell which of the measures that need more than pixels any sub has."""
    keys = ("altitude_deg", "focus_position")
    return {key: any(getattr(light, key) is not None for light in lights) for key in keys}


def _in_order(stacks: tuple[StackEntry, ...]) -> list[StackEntry]:
    marks = filter_marks(stack.filter for stack in stacks)
    return sorted(stacks, key=lambda s: (s.target or "", s.setup or "", marks[s.filter].order))


def _picture(night: Night, stack: StackEntry) -> str | None:
    name = stack.channel.png
    return None if name is None else embedded(night.out / name, widest=_PICTURE)


def _calibrations(
    lights: tuple[FrameEntry, ...],
) -> list[tuple[tuple[str, ...], tuple[str, ...], Any, int]]:
    """Gather lights calibrated alike: notes, warnings, (target, setup, filter), how many."""
    alike = Counter(
        (light.calibration, light.warnings, (light.target, light.setup, light.filter))
        for light in lights
    )
    marks = filter_marks(light.filter for light in lights)
    rows = [(*told, count) for told, count in alike.items()]
    return sorted(rows, key=lambda row: (row[2][0] or "", marks[row[2][2]].order))


def _flat(table: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in table.items():
        if isinstance(value, Mapping):
            rows += _flat(value, f"{prefix}{key}.")
        else:
            rows.append((f"{prefix}{key}", _UNKNOWN if value is None else str(value)))
    return rows


def _by_name(path: PurePath | None) -> str:
    return _UNKNOWN if path is None else path.name


def _known(value: object) -> object:
    return _UNKNOWN if value is None or value == "" else value


def _number(value: float | None, digits: int = 2) -> str:
    if value is None or not math.isfinite(value):
        return _UNKNOWN
    return f"{value:.{digits}f}".replace("-", "−")


def _span(seconds: float | None) -> str:
    """Spell an exposure as a person does: 45 s, 12 min, 2 h 35 min."""
    if seconds is None or not math.isfinite(seconds):
        return _UNKNOWN
    if seconds < 120:
        return f"{seconds:.4g} s"
    minutes = round(seconds / 60)
    hours, minutes = divmod(minutes, 60)
    parts = [f"{hours} h" if hours else "", f"{minutes} min" if minutes or not hours else ""]
    return " ".join(part for part in parts if part)


def _hour(time: datetime | None) -> str:
    text = iso_time(time)
    return _UNKNOWN if text is None else text[11:16]


def _hours(hours: float | None) -> str:
    return _UNKNOWN if hours is None else _span(3600 * hours)


def _figure(figure: FigureEntry) -> str:
    """Spell a finding's number with its uncertainty, to the digits that it is known to."""
    if figure.unit == MOMENT and figure.value is not None:
        return f"{datetime.fromtimestamp(figure.value, UTC):%H:%M} UTC"
    unit = figure.unit if figure.unit in ("°", "′", "″") else f" {figure.unit}".rstrip()
    if figure.value is None:
        return f"{_UNKNOWN}{unit}"
    if figure.uncertainty is None or not figure.uncertainty > 0:
        rounded = ".2g" if abs(figure.value) < _WHOLE_FROM else ".0f"
        return f"{figure.value:{rounded}}{unit}".replace("-", "−")
    digits = max(0, 1 - math.floor(math.log10(figure.uncertainty)))
    told = f"{figure.value:.{digits}f}{unit} ± {figure.uncertainty:.{digits}f}{unit}"
    if unit.startswith(" "):
        told = f"{figure.value:.{digits}f} ± {figure.uncertainty:.{digits}f}{unit}"
    return told.replace("-", "−")


def _clock(time: datetime | None, *, dated: bool) -> str:
    text = iso_time(time)
    if text is None:
        return _UNKNOWN
    return f"{text[5:10]} {text[11:19]}" if dated else text[11:19]
