"""Which measures the report draws against time, and which it only states."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter

from stackbench.export.charts import Chart, time_chart
from stackbench.export.hues import FilterMark
from stackbench.export.lessons import LimitEntry
from stackbench.export.night import FrameEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    """`wide` values differ by far between filters; `steady` ones are stated, not drawn.

    Steady are those that stay within so much of each other.
    """

    key: str
    title: str
    unit: str = ""
    wide: bool = False
    steady: float | None = None


_MEASURES = (
    _Measure(key="fwhm_px", title="FWHM", unit="px"),
    _Measure(key="eccentricity", title="eccentricity"),
    _Measure(key="transparency", title="transparency"),
    _Measure(key="sky_adu", title="sky", unit="ADU", wide=True),
    _Measure(key="stars", title="stars"),
    _Measure(key="temperature_c", title="sensor temperature", unit="°C", steady=0.5),
    _Measure(key="ambient_temperature_c", title="ambient temperature", unit="°C", steady=0.5),
    _Measure(key="focus_position", title="focus position", unit="steps", steady=0.0),
    _Measure(key="altitude_deg", title="altitude", unit="°", steady=0.0),
)
MEASURE_TITLES = {one.key: one.title for one in _MEASURES} | {
    "elongation_deg": "direction of the elongation"
}
"""How the report calls the measures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The charts of a night, and in words what hardly changed in it."""

    charts: tuple[Chart, ...]
    constants: tuple[str, ...]


def course_of(
    lights: Sequence[FrameEntry],
    *,
    marks: Mapping[str | None, FilterMark],
    limits: Sequence[LimitEntry] = (),
) -> Course:
    """Lay out the course of every measure that is known.

    Parameters
    ----------
    lights : sequence of FrameEntry
        In the order of time.
    marks : mapping
        How each filter is drawn.
    limits : sequence of LimitEntry
        The rules' limits, of any measure.

    Returns
    -------
    Course
        A measure that two lights have is drawn; temperatures and the like
        that hardly change are stated.
    """
    charts: list[Chart] = []
    constants: list[str] = []
    for one in _MEASURES:
        values = {
            value
            for light in lights
            if (value := getattr(light, one.key)) is not None and math.isfinite(value)
        }
        if values and one.steady is not None and max(values) - min(values) <= one.steady:
            ends = sorted({f"{min(values):g}", f"{max(values):g}"}, key=float)
            constants.append(f"{one.title} {' to '.join(ends)} {one.unit}".replace("-", "−"))
            continue
        chart = time_chart(
            lights,
            attrgetter(one.key),
            title=one.title,
            unit=one.unit,
            marks=marks,
            wide=one.wide,
            limits=[limit for limit in limits if limit.measure == one.key],
        )
        if chart is not None:
            charts.append(chart)
    return Course(charts=tuple(charts), constants=tuple(constants))
