"""The report is one whole, safe and readable page."""

import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path, PurePosixPath

import numpy as np
import pytest

from stackbench.export import report
from stackbench.export.files import WriteError
from stackbench.export.lessons import FigureEntry
from stackbench.export.night import Night
from stackbench.export.preview import write_preview
from stackbench.export.report import report_html, write_report
from stackbench.review.findings import MOMENT
from tests.support.night_records import HOSTILE, invented_night

_VOID = {"meta", "img", "br", "link", "input", "hr"}
_ALLOWED_ADDRESSES = re.compile(r"data:image/png;base64,[A-Za-z0-9+/=]+$")


class _Page(HTMLParser):
    """Collects the tags and text of a page, and checks that tags are closed in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text += data


def _with_previews(night: Night) -> Night:
    for stack in night.stacks:
        assert stack.channel.png is not None
        image = np.random.default_rng(1).normal(100, 3, (40, 60)).astype(np.float32)
        write_preview(Path(stack.channel.png), image)
    return night


def test_the_page_tells_the_night(tmp_path: Path) -> None:
    night = _with_previews(invented_night(tmp_path))
    write_report(tmp_path / "report.html", night)
    page = _Page((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert "36 of 40 subs kept, 3 h; 4 rejected, 20 min." in page.text
    assert "Night of 2031-02-03" in page.text
    assert "transparency (3), eccentricity (1)" in page.text
    for frame in night.frames:
        if frame.kind == "light":
            assert frame.path.name in page.text
        for reason in frame.reasons:
            assert reason in page.text
    for problem in night.problems:
        assert problem.what in page.text
        assert problem.why in page.text
        assert problem.remedy in page.text
    master = night.masters[0]
    for told in (*master.notes, *master.warnings, master.dropped[0].why, "dark of 300 s"):
        assert told in page.text
    for told in ("review.fwhm_sigma", "numpy", "ab" * 32, f"{7:064x}"):
        assert told in page.text
    assert sum(tag == "img" for tag, _ in page.tags) == 5
    assert sum(attributes.get("role") == "img" for _, attributes in page.tags) == 10


def test_the_page_tells_what_happened_and_what_to_do(tmp_path: Path) -> None:
    night = invented_night(tmp_path)
    page = _Page(report_html(night))
    finding = night.findings[0]
    for told in (*finding.evidence, finding.text, finding.remedy, "likely", "21:55 to 22:44 UTC"):
        assert told in page.text
    assert "What happened: The focus drifted; The stars are sampled well." in page.text
    shown = "shown by FWHM, sensor temperature"
    assert f"drift 0.410 ± 0.030 px/°C; correlation −0.94; {shown}" in page.text
    assert "L: better than 22 of 30 earlier nights." in page.text
    (advice,) = night.advice
    for told in (*advice.lines, "7.0 %", "410 s", "1 h 30 min"):
        assert told in page.text
    assert "Stars over the field" in page.text
    assert "Sun" in page.text
    assert "Hardly changed all night: sensor temperature −10 °C." in page.text


def test_findings_of_several_nights_say_on_which_they_were(tmp_path: Path) -> None:
    night = invented_night(tmp_path)
    frames = tuple(
        replace(one, night="2031-02-04") if one.path.name.endswith("9.fits") else one
        for one in night.frames
    )
    of_one, of_all = night.findings
    lights = tuple(one.path for one in frames if one.kind == "light")
    moved = tuple(one.path for one in frames if one.night == "2031-02-04" and one.kind == "light")
    assert 0 < len(moved) < len(lights)
    findings = (replace(of_one, subs=moved), replace(of_all, subs=lights))
    page = _Page(report_html(replace(night, frames=frames, findings=findings)))
    assert "What happened: 2031-02-04: The focus drifted; The stars are sampled well." in page.text
    assert "night of 2031-02-04 · 21:55 to 22:44 UTC" in page.text
    assert "night of" not in _Page(report_html(night)).text


def test_the_summary_is_five_lines(tmp_path: Path) -> None:
    for night in (invented_night(tmp_path), Night(out=tmp_path)):
        html = report_html(night)
        brief = html[html.index('<ul class="brief">') :]
        assert brief[: brief.index("</ul>")].count("<li>") == 5


def test_the_page_needs_nothing_but_itself(tmp_path: Path) -> None:
    html = report_html(_with_previews(invented_night(tmp_path)))
    page = _Page(html)
    assert not {tag for tag, _ in page.tags} & {"script", "link", "iframe", "object", "form", "a"}
    for _, attributes in page.tags:
        assert not any(name.startswith("on") for name in attributes)
        for name in ("src", "href", "xlink:href", "action"):
            if name in attributes:
                assert _ALLOWED_ADDRESSES.match(attributes[name] or "")
    assert "http:" not in html
    assert "https:" not in html
    assert "@import" not in html
    assert "url(" not in html


def test_hostile_text_is_text(tmp_path: Path) -> None:
    night = invented_night(tmp_path, target=HOSTILE)
    nasty = '"><img src=x onerror=alert(1)>{{ 7*7 }}'
    night = replace(
        night,
        frames=tuple(
            replace(
                frame,
                filter=nasty,
                setup=nasty,
                path=PurePosixPath(f"/n/{nasty}"),
                reasons=(nasty, *frame.reasons),
                calibration=(nasty,),
                warnings=(nasty,),
            )
            for frame in night.frames
        ),
        masters=tuple(
            replace(master, filter=nasty, setup=nasty, notes=(nasty,)) for master in night.masters
        ),
        stacks=tuple(
            replace(stack, filter=nasty, rejection=nasty, warnings=(nasty,))
            for stack in night.stacks
        ),
        findings=tuple(
            replace(one, title=nasty, text=nasty, remedy=nasty, cause=nasty, topic=nasty)
            for one in night.findings
        ),
        advice=tuple(
            replace(
                one,
                setup=nasty,
                lines=(nasty,),
                filters=tuple(replace(f, filter=nasty, lines=(nasty,)) for f in one.filters),
            )
            for one in night.advice
        ),
        standings=tuple(replace(one, filter=nasty, text=nasty) for one in night.standings),
        limits=tuple(replace(one, filter=nasty) for one in night.limits),
        field_maps=tuple(replace(one, setup=nasty) for one in night.field_maps),
        settings={nasty: {nasty: nasty}},
        versions={nasty: nasty},
    )
    page = _Page(report_html(night))
    assert not {tag for tag, _ in page.tags} & {"script", "img", "b<", "iframe"}
    assert HOSTILE in page.text
    assert nasty in page.text
    assert "49" not in re.findall(r"alert\(1\)>(\S+)", page.text)
    assert not any(name.startswith("on") for _, found in page.tags for name in found)


def test_missing_previews_and_an_empty_night_are_no_obstacle(tmp_path: Path) -> None:
    page = _Page(report_html(invented_night(tmp_path)))
    assert not [tag for tag, _ in page.tags if tag == "img"]
    empty = _Page(report_html(Night(out=tmp_path)))
    assert "0 of 0 subs kept" in empty.text
    assert "No problems." in empty.text
    assert "No master frame was made." in empty.text
    assert "None" not in empty.text.replace("None recorded", "")


def test_verdicts_are_told_in_words_and_shapes(tmp_path: Path) -> None:
    page = _Page(report_html(invented_night(tmp_path)))
    classes = [str(attributes.get("class") or "") for _, attributes in page.tags]
    # one stroke through every rejected mark of eight charts and the ribbon, one in each legend
    assert classes.count("cross") == 4 * (8 + 1) + 2
    assert page.text.count("✕ reject") == 4
    assert page.text.count("✓ keep") == 36


def _luminance(colour: str) -> float:
    # WCAG 2.2, relative luminance (read: w3c.github.io/wcag/guidelines/relative-luminance.html)
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    bright, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_contrast_is_enough_in_light_dark_and_print(tmp_path: Path) -> None:
    # known ratios of the formula itself
    assert _contrast("#000000", "#ffffff") == pytest.approx(21)
    assert _contrast("#777777", "#ffffff") == pytest.approx(4.4781, abs=1e-4)
    html = report_html(invented_night(tmp_path))
    themes = re.findall(r":root \{(.*?)\}", html, flags=re.DOTALL)
    assert len(themes) == 3
    for theme in themes:
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", theme))
        for ground in ("paper", "sheet"):
            # AA, 1.4.3: 4.5 for text (thresholds from memory)
            for text in ("ink", "muted", "stop"):
                assert _contrast(colours[text], colours[ground]) >= 4.5
    # AA, 1.4.11: 3 for marks, which are outlined in ink
    assert re.search(r"\.dot \{ stroke: var\(--ink\)", html)


def test_a_failure_to_write_is_told(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(WriteError):
        write_report(tmp_path / "out" / "report.html", Night(out=tmp_path))


@pytest.mark.parametrize(
    ("seconds", "told"),
    [
        (None, "–"),
        (float("nan"), "–"),
        (0.0, "0 s"),
        (0.001, "0.001 s"),
        (90.0, "90 s"),
        (300.0, "5 min"),
        (3600.0, "1 h"),
        (9300.0, "2 h 35 min"),
        (3599.0, "1 h"),
    ],
)
def test_exposures_are_spelled_for_people(seconds: float | None, told: str) -> None:
    assert report._span(seconds) == told


def test_numbers_are_spelled_for_people() -> None:
    assert report._number(-10.04, 1) == "−10.0"
    assert report._number(None) == report._number(float("inf")) == "–"


def test_every_sub_tells_altitude_and_focus_where_they_are_known(tmp_path: Path) -> None:
    night = invented_night(tmp_path)
    html = report_html(night)
    table = html[html.index('<table class="subs">') :]
    for told in ("Altitude, °", "Focus, steps", ">35.0<", ">12000<", "20:05:00", "✕ reject"):
        assert told in table
    known = ("altitude_deg", "focus_position")
    without = replace(night, frames=tuple(replace(f, **dict.fromkeys(known)) for f in night.frames))
    table = report_html(without)
    table = table[table.index('<table class="subs">') :]
    assert "Altitude, °" not in table
    assert "Focus, steps" not in table


def test_a_finding_on_every_sub_does_not_list_them(tmp_path: Path) -> None:
    night = invented_night(tmp_path)
    lights = tuple(frame.path for frame in night.frames if frame.kind == "light")
    first, *others = night.findings
    page = _Page(report_html(replace(night, findings=(replace(first, subs=lights), *others))))
    assert "all 40 subs" in page.text
    assert "and 28 more" not in page.text


def test_units_that_are_signs_stand_at_their_number() -> None:
    turned = FigureEntry(name="direction", value=323.1, unit="°", uncertainty=2.0)
    assert report._figure(turned) == "323.1° ± 2.0°"
    assert report._figure(replace(turned, uncertainty=None)) == "323°"
    # nothing says how well they are known: two digits, but for whole numbers
    pixels = FigureEntry(name="hot now", value=1523.0)
    assert report._figure(pixels) == "1523"
    assert report._figure(replace(pixels, value=0.3893, unit="h")) == "0.39 h"
    moment = datetime(2031, 11, 15, 6, 14, 24, tzinfo=UTC).timestamp()
    refocused = FigureEntry(name="refocused", value=moment, unit=MOMENT)
    assert report._figure(refocused) == "06:14 UTC"


def test_warnings_about_the_calibration_stand_out(tmp_path: Path) -> None:
    night = invented_night(tmp_path)
    frames = tuple(replace(one, warnings=("no flat serves it",)) for one in night.frames)
    page = report_html(replace(night, frames=frames))
    assert '<span class="warn">⚠ no flat serves it</span>' in page
