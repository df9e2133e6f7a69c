"""What a job found and did, in lines for a person."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from stackbench.calibration.sets import master_title
from stackbench.export.night import FrameEntry, Night, ProblemEntry, StackEntry
from stackbench.export.summary import evenings_of_findings
from stackbench.frames.names import setup_label
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.words import celsius, counted, duration, seconds
from stackbench.job.history import GroupNight
from stackbench.job.overview import Overview, ServedGroup


def overview_lines(overview: Overview) -> list[str]:
    """Tell what a night holds, what calibrates what, and what is missing.

    Parameters
    ----------
    overview : Overview
        From `overlook`.

    Returns
    -------
    list of str
        Lines without line ends.
    """
    lines: list[str] = []
    for served in overview.groups:
        lines += [*_group_lines(served), ""]
    sets = overview.plan.sets
    if sets:
        lines.append("Calibration frames")
        for one in sets:
            # a set of the library is there as a master, without its frames
            number = f"  {len(one.frames) or '–':>4} {one.kind}"
            facts = [
                f"filter {one.filter}" if one.filter else "",
                seconds(one.exposure_s) if one.kind is not Kind.BIAS else "",
                celsius(one.temperature_c) if one.temperature_c is not None else "",
                one.night.isoformat() if one.night else "",
                setup_label(one.setup),
                "" if one.frames else "a master of the library",
            ]
            lines.append(", ".join([number, *filter(None, facts)]))
        lines.append("")
    lines += problem_lines(overview.problems)
    return lines


def problem_lines(problems: Sequence[Problem | ProblemEntry]) -> list[str]:
    """Tell of problems, each with its cause and remedy.

    Parameters
    ----------
    problems : sequence of Problem or ProblemEntry
        What went wrong; may be empty.

    Returns
    -------
    list of str
        Lines without line ends; a single line when there are none.
    """
    if not problems:
        return ["Nothing is missing."]
    lines = [f"{counted(len(problems), 'thing')} to look at"]
    for problem in problems:
        where = f"{problem.path}: " if problem.path is not None else ""
        lines += [
            f"  {where}{problem.what}",
            f"    cause:  {problem.why}",
            f"    remedy: {problem.remedy}",
        ]
    return lines


def _group_lines(served: ServedGroup) -> Iterator[str]:
    group = served.group
    total = sum(f.exposure_s or 0.0 for f in group.frames)
    title = f"{group.target}, {group.filter or 'no filter named'}"
    yield f"{title}: {len(group.frames)} lights, {duration(total)} in all"
    yield f"  setup: {setup_label(group.setup)}"
    for serving, lights in served.servings:
        yield f"  {_exposures(lights)}"
        for note in serving.notes or ("nothing calibrates them",):
            yield f"    {note}"


def _exposures(lights: Sequence[Frame]) -> str:
    exposures = sorted({f.exposure_s for f in lights if f.exposure_s is not None})
    times = ", ".join(map(seconds, exposures)) or "unknown exposure"
    return f"{len(lights)} × {times}"


def outcome_lines(night: Night) -> list[str]:
    """Tell what a run made, what it rejected and why, and what went wrong.

    Parameters
    ----------
    night : Night
        The record of the run.

    Returns
    -------
    list of str
        Lines without line ends.
    """
    lines: list[str] = []
    for stack in night.stacks:
        subs = [f for f in night.frames if _in_group(f, stack)]
        noise = f", noise {stack.noise_adu:.2f} ADU" if stack.noise_adu is not None else ""
        fwhm = f", FWHM {stack.fwhm_px:.2f} px" if stack.fwhm_px is not None else ""
        lines.append(
            f"{stack.target}, {stack.filter or 'no filter named'}: {len(stack.frames)} of "
            f"{len(subs)} subs, {duration(stack.exposure_s)}{noise}{fwhm}"
        )
        lines += [f"  note: {warning}" for warning in stack.warnings]
        lines += [f"  note: {line}" for line in stack.noise_lines[1:]]
        if stack.cosmic_pixels is not None:
            hit = counted(stack.cosmic_pixels, "pixel")
            lines.append(f"  note: {hit} of its subs left out as hit by cosmic rays")
        if stack.channel.fits is not None:
            lines.append(f"  {stack.channel.fits}")
    lines += _library_lines(night)
    rejected = [frame for frame in night.frames if frame.verdict == "reject"]
    if rejected:
        lines += ["", f"{counted(len(rejected), 'sub')} rejected"]
        for frame in rejected:
            why = "; ".join(frame.reasons) if frame.by == "rule" else "by hand"
            lines.append(f"  {frame.path.name}: {why or 'by rule'}")
    lines += [
        *_lesson_lines(night),
        "",
        *problem_lines(night.problems),
        "",
        f"Report: {night.out / 'report.html'}",
    ]
    return lines


def _library_lines(night: Night) -> Iterator[str]:
    """Name the masters that are not this night's own."""
    borrowed = [one for one in night.masters if one.from_library]
    if not borrowed:
        return
    yield from ("", f"{counted(len(borrowed), 'master')} of the library used")
    for one in borrowed:
        title = master_title(
            Kind(one.kind),
            filter_name=one.filter,
            exposure_s=one.exposure_s,
            temperature_c=one.temperature_c,
        )
        of_night = f", of the night of {one.night}" if one.night is not None else ""
        yield f"  {title}{of_night}"


def _lesson_lines(night: Night) -> Iterator[str]:
    """Tell what happened, how the night compares with earlier ones, and what to do next."""
    if night.findings:
        yield from ("", "What happened")
        for evening, found in zip(evenings_of_findings(night), night.findings, strict=True):
            yield f"  {f'{evening}: ' if evening else ''}{found.title} ({found.confidence})"
    compared = [one for one in night.standings if one.nights]
    if compared:
        yield from ("", "Against earlier nights")
        for told, ones in groupby(compared, key=lambda one: (one.night, one.target, one.filter)):
            evening, target, name = told
            parts = (
                evening if len({one.night for one in night.standings}) > 1 else "",
                target if len({one.target for one in night.standings}) > 1 else "",
                name or "no filter named",
            )
            head = ", ".join(filter(None, parts))
            yield f"  {head}: {'; '.join(one.text for one in ones)}"
    if night.advice:
        yield from ("", "What to do next")
        for advice in night.advice:
            for one in advice.filters:
                yield f"  {advice.target}, {one.filter or 'no filter named'}:"
                yield from (f"    {line}" for line in one.lines)
            yield from (f"  {advice.target}: {line}" for line in advice.lines)


def history_lines(nights: Sequence[GroupNight], *, last: int) -> list[str]:
    """Tell of the nights that are kept for comparison.

    Parameters
    ----------
    nights : sequence of GroupNight
        Ordered by setup, filter and night; may be empty.
    last : int
        How many nights of each setup and filter at most.

    Returns
    -------
    list of str
        Lines without line ends.
    """
    if not nights:
        return ["No nights are kept yet; 'stackbench run' keeps them."]
    lines: list[str] = []
    for (setup, name), group in groupby(nights, key=lambda one: (one.setup, one.filter)):
        members = list(group)
        shown = sorted({one.night for one in members})[-last:]
        lines += ["", f"{setup or 'unknown setup'}, {name or 'no filter named'}", _history_line()]
        lines += [_history_line(one) for one in members if one.night in shown]
    return lines


def _history_line(one: GroupNight | None = None) -> str:
    """Set a night's numbers in columns; their heads for None."""
    cells = ["subs", "hours", "FWHM px", "FWHM ″", "sky ADU/s", "scatter", "rejected"]
    if one is not None:
        cells = [str(one.subs), f"{one.hours:.2f}"]
        cells += [_cell(one.fwhm_px, ".2f"), _cell(one.fwhm_arcsec, ".2f")]
        cells += [_cell(one.sky_adu_s, ".3g")]
        cells += [_cell(one.transparency_scatter, ".0%"), _cell(one.rejected_share, ".0%")]
    night, target = ("night", "target") if one is None else (one.night, one.target or "–")
    return "".join([f"  {night:10}", *(f"{cell:>10}" for cell in cells), f"  {target}"])


def _cell(value: float | None, form: str) -> str:
    return "–" if value is None else format(value, form).replace("%", " %")


def _in_group(frame: FrameEntry, stack: StackEntry) -> bool:
    return frame.kind == Kind.LIGHT.value and (frame.target, frame.setup, frame.filter) == (
        stack.target,
        stack.setup,
        stack.filter,
    )
