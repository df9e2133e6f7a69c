"""What a job found and did, in lines for a person."""

from collections.abc import Iterator, Sequence

from stackbench.export.night import FrameEntry, Night, ProblemEntry, StackEntry
from stackbench.frames.names import setup_label
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.words import celsius, counted, duration
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
    if not overview.groups:
        lines += ["No light frames were found.", ""]
    sets = overview.plan.sets
    if sets:
        lines.append("Calibration frames")
        for one in sets:
            number = f"  {len(one.frames):4d} {one.kind}"
            facts = [
                f"filter {one.filter}" if one.filter else "",
                duration(one.exposure_s) if one.kind is not Kind.BIAS else "",
                celsius(one.temperature_c) if one.temperature_c is not None else "",
                one.night.isoformat() if one.night else "",
                setup_label(one.setup),
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
    times = ", ".join(duration(e) for e in exposures) or "unknown exposure"
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
        noise = f", noise {stack.noise_adu:.3g} ADU" if stack.noise_adu is not None else ""
        fwhm = f", FWHM {stack.fwhm_px:.2f} px" if stack.fwhm_px is not None else ""
        lines.append(
            f"{stack.target}, {stack.filter or 'no filter named'}: {len(stack.frames)} of "
            f"{len(subs)} subs, {duration(stack.exposure_s)}{noise}{fwhm}"
        )
        lines += [f"  note: {warning}" for warning in stack.warnings]
        lines += [f"  note: {line}" for line in stack.noise_lines[1:]]
        if stack.channel.fits is not None:
            lines.append(f"  {stack.channel.fits}")
    rejected = [frame for frame in night.frames if frame.verdict == "reject"]
    if rejected:
        lines += ["", f"{counted(len(rejected), 'sub')} rejected"]
        for frame in rejected:
            why = "; ".join(frame.reasons) if frame.by == "rule" else "by hand"
            lines.append(f"  {frame.path.name}: {why or 'by rule'}")
    lines += ["", *problem_lines(night.problems), "", f"Report: {night.out / 'report.html'}"]
    return lines


def _in_group(frame: FrameEntry, stack: StackEntry) -> bool:
    return frame.kind == Kind.LIGHT.value and (frame.target, frame.setup, frame.filter) == (
        stack.target,
        stack.setup,
        stack.filter,
    )
