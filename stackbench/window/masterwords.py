"""What is known of a master, in words and marks."""

from stackbench.calibration.phototransfer import MeasuredCamera
from stackbench.calibration.records import CalibrationSet, MasterFacts
from stackbench.frames.records import Kind
from stackbench.frames.words import celsius, counted, seconds, thousands, with_error
from stackbench.job.mastersheet import MasterSheet
from stackbench.window.factlist import Fact
from stackbench.window.histogramview import LevelMark


def master_name(one: CalibrationSet, facts: MasterFacts) -> str:
    """Name a master in two lines.

    Parameters
    ----------
    one : CalibrationSet
        What it was made from.
    facts : MasterFacts
        What is known of it.

    Returns
    -------
    str
        Kind with filter, exposure and temperature; frames used and left out.
    """
    parts = [f"{one.kind.value[0].upper()}{one.kind.value[1:]}"]
    if one.kind is Kind.FLAT:
        parts.append(one.filter or "no filter")
    if one.kind is not Kind.BIAS and one.exposure_s is not None:
        parts.append(seconds(one.exposure_s))
    if one.temperature_c is not None:
        parts.append(celsius(one.temperature_c))
    left_out = len(one.frames) - len(facts.paths)
    frames = counted(len(facts.paths), "frame")
    return "  ".join(parts) + f"\n{frames}" + (f", {left_out} left out" if left_out else "")


def master_facts(
    one: CalibrationSet,
    facts: MasterFacts,
    sheet: MasterSheet | None,
    camera: MeasuredCamera | None,
    serves: str,
) -> list[Fact]:
    """List what is known of a master.

    Parameters
    ----------
    one : CalibrationSet
        What it was made from.
    facts : MasterFacts
        Known since it was made.
    sheet : MasterSheet or None
        What its pixels tell; None while that is looked at.
    camera : MeasuredCamera or None
        What is known of the camera.
    serves : str
        How many lights and flats it serves; empty for none.

    Returns
    -------
    list of (str, str)
        Names and values.
    """
    flat = one.kind is Kind.FLAT
    level = f"{thousands(round(facts.level_adu))} ADU" if flat else f"{facts.level_adu:.1f} ADU"
    known = [("Level above dark or bias" if flat else "Level", level)]
    if facts.noise is not None:
        noise = f"{100 * facts.noise:.3g} %" if flat else f"{facts.noise:.3g} ADU"
        known.append(("Noise of the master", noise))
    known += _frame_noise(facts, camera)
    if camera is not None:
        gain = with_error(camera.gain_e_per_adu, camera.gain_error)
        known.append(("Gain", f"{gain} e⁻/ADU"))
    known += _bad_pixels(facts)
    if sheet is not None:
        known += _of_sheet(sheet)
    known.append(("Rejected values", f"{thousands(facts.rejected_pixels)}, {facts.method}"))
    if serves:
        known.append(("Serves", serves))
    return known


def level_marks(sheet: MasterSheet) -> tuple[LevelMark, ...]:
    """Choose what is marked in a master's histogram.

    Parameters
    ----------
    sheet : MasterSheet
        What its pixels tell.

    Returns
    -------
    tuple of LevelMark
        The median and the ends of the middle 98 %; in a dark also from where
        a pixel is hot, where its surroundings have the level of the whole.
    """
    histogram = sheet.histogram
    if histogram is None:
        return ()
    marks = [
        LevelMark(value=histogram.quantile(share), words=words)
        for share, words in ((0.01, "1 %"), (0.5, "median"), (0.99, "99 %"))
    ]
    if sheet.hot_from_adu is not None:
        marks.append(LevelMark(value=sheet.hot_from_adu, words="hot from here"))
    return tuple(marks)


def _frame_noise(facts: MasterFacts, camera: MeasuredCamera | None) -> list[Fact]:
    if facts.frame_noise_adu is None:
        return []
    noise = f"{facts.frame_noise_adu:.2f} ADU"
    if facts.kind is Kind.BIAS and facts.read_noise_adu is not None:
        electrons = f", {camera.read_noise_e:.2f} e⁻" if camera is not None else ""
        return [("Read noise, from pairs", noise + electrons)]
    return [("Noise of one frame", noise)]


def _bad_pixels(facts: MasterFacts) -> list[Fact]:
    counts = facts.defects
    if counts is None:
        return []
    sorts: tuple[tuple[str, int], ...] = (
        ("Hot pixels", counts.hot),
        ("Cold pixels", counts.cold),
        ("Unstable pixels", counts.unstable),
    )
    if facts.kind is Kind.FLAT:
        sorts = (("Dim pixels", counts.dim), ("Bright pixels", counts.bright))
    return [(name, thousands(count)) for name, count in (*sorts, ("In odd columns", counts.column))]


def _of_sheet(sheet: MasterSheet) -> list[Fact]:
    known = []
    if sheet.vignetting is not None:
        known.append(("Vignetting", f"corners {100 * sheet.vignetting:.1f} % darker"))
    if sheet.undefined:
        known.append(("Undefined pixels", thousands(sheet.undefined)))
    return known
