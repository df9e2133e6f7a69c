"""Names of the masters' files, by which a person knows them apart."""

from collections import Counter
from collections.abc import Sequence

from stackbench.calibration.records import CalibrationSet
from stackbench.frames.names import safe_name, setup_label
from stackbench.frames.records import Kind


def master_names(sets: Sequence[CalibrationSet]) -> dict[CalibrationSet, str]:
    """Name the files of masters, each its own.

    Parameters
    ----------
    sets : sequence of CalibrationSet
        What the masters are made from.

    Returns
    -------
    dict of CalibrationSet to str
        Such as "dark_300s_-10C_SETUP.fits"; those that would be alike are numbered.
    """
    plain = {one: _name(one) for one in sets}
    # folders on Windows and macOS do not tell the filters r and R apart
    often = Counter(name.casefold() for name in plain.values())
    names: dict[CalibrationSet, str] = {}
    seen: Counter[str] = Counter()
    for one, name in plain.items():
        seen[name.casefold()] += 1
        number = f"_{seen[name.casefold()]}" if often[name.casefold()] > 1 else ""
        names[one] = f"{name}{number}.fits"
    return names


def _name(one: CalibrationSet) -> str:
    parts = [one.kind.value]
    if one.kind is Kind.FLAT:
        parts.append(one.filter or "nofilter")
        parts.append(one.night.isoformat() if one.night else "undated")
    if one.kind in (Kind.DARK, Kind.DARK_FLAT):
        parts.append(f"{one.exposure_s:g}s" if one.exposure_s is not None else "untimed")
        if one.temperature_c is not None:
            parts.append(f"{round(one.temperature_c):+d}C")
    parts.append(setup_label(one.setup))
    return safe_name("_".join(parts))
