"""Findings and advice reach the record whole."""

from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stackbench.export.lessons import (
    FilterAdviceEntry,
    FindingEntry,
    filter_advice_entry,
    finding_entry,
)
from stackbench.export.night import Night, night_json
from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.planning import FilterAdvice, FilterDepth, advise


def test_a_finding_is_written_down_whole(tmp_path: Path) -> None:
    finding = Finding(
        topic=Topic.ALIGNMENT,
        cause="polar error",
        title="The mount's axis is off the pole",
        text="The field turned.",
        evidence=("it turned by 0.3° in 4 h",),
        confidence=Confidence.LIKELY,
        figures=(Figure(name="at least", value=9.8, uncertainty=0.4, unit="′"),),
        subs=(Path("/n/light_1.fits"),),
        measures=("eccentricity",),
        start=datetime(2031, 2, 3, 20, tzinfo=UTC),
        end=datetime(2031, 2, 4, 1, tzinfo=UTC),
        remedy="Align it again.",
    )
    assert {f.name for f in fields(FindingEntry)} == {f.name for f in fields(Finding)}
    night = Night(out=tmp_path, findings=(finding_entry(finding),))
    (written,) = night_json(night)["findings"]
    assert written == {
        "topic": "polar alignment",
        "cause": "polar error",
        "title": "The mount's axis is off the pole",
        "text": "The field turned.",
        "evidence": ["it turned by 0.3° in 4 h"],
        "confidence": "likely",
        "figures": [{"name": "at least", "value": 9.8, "uncertainty": 0.4, "unit": "′"}],
        "subs": [Path("/n/light_1.fits").as_posix()],
        "measures": ["eccentricity"],
        "start": "2031-02-03T20:00:00.000Z",
        "end": "2031-02-04T01:00:00.000Z",
        "remedy": "Align it again.",
    }
    assert type(written["topic"]) is type(written["confidence"]) is str


def test_advice_is_written_down_whole() -> None:
    depth = FilterDepth(
        filter="Ha", subs=12, exposure_s=3600.0, sub_s=300.0, noise_adu=2.0,
        sky_adu=150.0, gain_e_per_adu=0.5, read_noise_e=3.0,
    )  # fmt: skip
    (advice,) = advise([depth])
    entry = filter_advice_entry(advice, lines=("two more hours",))
    assert (entry.filter, entry.subs, entry.exposure_s, entry.sub_s) == ("Ha", 12, 3600.0, 300.0)
    assert entry.lines == ("two more hours",)
    numbers = {f.name for f in fields(FilterAdvice)} - {"depth"}
    assert numbers <= {f.name for f in fields(FilterAdviceEntry)}
    for name in numbers:
        assert getattr(entry, name) == getattr(advice, name)
    assert entry.noise_e_s == pytest.approx(2.0 * 0.5 / 300.0)
