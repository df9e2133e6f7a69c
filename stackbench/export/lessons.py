"""What a night teaches, as its record holds it: findings, advice, field maps, standing."""

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePath
from typing import Literal

from stackbench.review.findings import Finding
from stackbench.review.planning import FilterAdvice

Cells = tuple[tuple[float | None, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureEntry:
    """A number that a finding states: value, one standard uncertainty, unit."""

    name: str
    value: float | None
    uncertainty: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingEntry:
    """One thing that happened, on what evidence, and what to do.

    `cause` never changes its wording, for scripts. `subs` are the absolute
    paths of the subs concerned, `measures` the keys of the frames' measures
    that show it. `start` and `end` are UTC.
    """

    topic: str
    cause: str
    title: str
    text: str
    evidence: tuple[str, ...]
    confidence: Literal["certain", "likely", "possible"]
    figures: tuple[FigureEntry, ...] = ()
    subs: tuple[PurePath, ...] = ()
    measures: tuple[str, ...] = ()
    start: datetime | None = None
    end: datetime | None = None
    remedy: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterAdviceEntry:
    """What a filter's stack is worth now, and what would help it.

    The numbers are those of the review's `FilterAdvice`: `noise_e_s` and
    `sky_e_s` in electrons per second and pixel, `star_snr` of the median star,
    `shortest_sub_s` the sub length at which read noise adds 5 % to the sky's
    noise and `read_share` what it adds now; subs of that length would lower the
    stack's noise by the share `longer_gain`. `more_hours` bring the gain
    that was asked for, `balance_hours` the noise of the other filters. `lines` say
    the same in words.
    """

    filter: str | None
    subs: int
    exposure_s: float
    sub_s: float
    noise_e_s: float | None = None
    sky_e_s: float | None = None
    star_snr: float | None = None
    shortest_sub_s: float | None = None
    read_share: float | None = None
    longer_gain: float | None = None
    more_hours: float | None = None
    balance_hours: float | None = None
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceEntry:
    """What to do next for one target with one setup.

    `gain` is the gain in signal-to-noise ratio for which `more_hours` are told.
    `lines` are about the target as a whole: the balance of its filters, missing
    calibration, when it can next be seen.
    """

    target: str | None
    setup: str | None
    gain: float = math.sqrt(2)  # of records that do not say it
    filters: tuple[FilterAdviceEntry, ...] = ()
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitEntry:
    """Where the rules' limit of one measure lay for the lights of one group.

    `measure` is the key of the frames' measure, `bad` the side on which a
    value is rejected. `exposure_s` tells which lights it holds for, None all.
    """

    target: str | None
    setup: str | None
    filter: str | None
    measure: str
    limit: float
    bad: Literal["above", "below"]
    typical: float | None = None
    exposure_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldMapEntry:
    """The stars' shape by zones of the sensor, over the kept lights of a setup.

    Each of the four is a table of equal zones, rows from the least y up: the
    median FWHM, and eccentricity and direction (from +x towards +y, degrees) of
    the elongation that a zone's stars have in common; None where too few
    stars lie. `shape` is the sensor's (ny, nx).
    """

    target: str | None
    setup: str | None
    subs: int
    shape: tuple[int, int]
    fwhm_px: Cells
    eccentricity: Cells
    angle_deg: Cells
    count: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingEntry:
    """One measure of a group's night against earlier nights with the same setup and filter.

    `night` is the date of the evening. `nights` counts the earlier ones that have the
    measure, thirty at most; `better_than` of them were worse, `typical` is their
    median, None when there are none. `text` says it in a line.
    """

    night: str
    target: str | None
    setup: str | None
    filter: str | None
    measure: str
    value: float
    typical: float | None
    nights: int
    better_than: int
    text: str


def finding_entry(finding: Finding) -> FindingEntry:
    """Write a finding down for the record.

    Parameters
    ----------
    finding : Finding
        From the diagnosis.

    Returns
    -------
    FindingEntry
        The same in plain words and numbers.
    """
    return FindingEntry(
        topic=finding.topic.value,
        cause=finding.cause,
        title=finding.title,
        text=finding.text,
        evidence=finding.evidence,
        confidence=finding.confidence.value,
        figures=tuple(
            FigureEntry(name=f.name, value=f.value, uncertainty=f.uncertainty, unit=f.unit)
            for f in finding.figures
        ),
        subs=finding.subs,
        measures=finding.measures,
        start=finding.start,
        end=finding.end,
        remedy=finding.remedy,
    )


def filter_advice_entry(advice: FilterAdvice, *, lines: tuple[str, ...] = ()) -> FilterAdviceEntry:
    """Write a filter's advice down for the record.

    Parameters
    ----------
    advice : FilterAdvice
        What the filter is worth and what would help.
    lines : tuple of str
        The same in words.

    Returns
    -------
    FilterAdviceEntry
        Its numbers and the lines.
    """
    return FilterAdviceEntry(
        filter=advice.depth.filter,
        subs=advice.depth.subs,
        exposure_s=advice.depth.exposure_s,
        sub_s=advice.depth.sub_s,
        noise_e_s=advice.noise_e_s,
        sky_e_s=advice.sky_e_s,
        star_snr=advice.star_snr,
        shortest_sub_s=advice.shortest_sub_s,
        read_share=advice.read_share,
        longer_gain=advice.longer_gain,
        more_hours=advice.more_hours,
        balance_hours=advice.balance_hours,
        lines=lines,
    )
