"""What was measured of a camera, in lines for a person."""

from collections.abc import Iterator

from stackbench.calibration.trends import Trend
from stackbench.frames.words import percent, with_error
from stackbench.job.camerafacts import CameraFacts, DarkFacts, FlatFacts
from stackbench.job.words import problem_lines

_UNKNOWN = "not told by these frames"
_WIDTH = 30


def camera_lines(facts: CameraFacts) -> list[str]:
    """Tell what was measured of a camera.

    Parameters
    ----------
    facts : CameraFacts
        From `camera_facts`.

    Returns
    -------
    list of str
        Lines without line ends; every value with its 1σ where that is known.
    """
    camera = facts.camera
    ny, nx = camera.shape
    x, y = camera.binning
    settings = [
        f"{nx} × {ny} pixels",
        f"binning {x}×{y}",
        f"gain setting {camera.gain_setting:g}" if camera.gain_setting is not None else "",
        f"offset setting {camera.offset_setting:g}" if camera.offset_setting is not None else "",
        camera.read_mode or "",
    ]
    lines = [f"{camera.camera or 'Camera without a name'}: {', '.join(filter(None, settings))}"]
    lines += [f"  {name:{_WIDTH}}{value}" for name, value in _rows(facts)]
    if facts.problems:
        lines += [f"  {line}" for line in problem_lines(facts.problems)]
    return lines


def _rows(facts: CameraFacts) -> Iterator[tuple[str, str]]:
    numbers = facts.numbers
    if numbers is None:
        yield "gain, read noise", f"{_UNKNOWN}: two flats of a filter and two bias are needed"
    else:
        pairs = len(numbers.points) - 1
        yield (
            "gain",
            f"{with_error(numbers.gain_e_per_adu, numbers.gain_error)} e⁻/ADU "
            f"({pairs} {'pair' if pairs == 1 else 'pairs'} of flats)",
        )
    if facts.stated_gain is not None:
        yield "  as the headers give it", f"{facts.stated_gain:.4g} e⁻/ADU"
    if numbers is not None:
        yield (
            "read noise",
            f"{with_error(numbers.read_noise_e, numbers.read_noise_error)} e⁻, "
            f"{numbers.read_noise_adu:.3g} ADU",
        )
    if facts.line is not None and numbers is not None and len(numbers.points) > 2:
        yield (
            "photon transfer",
            f"{1 / facts.line.slope:.4g} e⁻/ADU by its slope, "
            f"points within {percent(facts.line.deviation, 1)} of the line",
        )
    full = facts.saturation_adu
    yield "saturation", "not seen in any frame" if full is None else f"{full:.0f} ADU"
    yield from _bias_rows(facts)
    for dark in facts.darks:
        yield dark.name, _dark_words(dark)
    for name in facts.darks_without_bias:
        yield name, f"dark current {_UNKNOWN}: bias frames with the same settings are needed"
    if facts.doubling is not None:
        step = facts.doubling
        yield "dark current doubles every", f"{with_error(step.step_c, step.error_c)} °C"
    for flat in facts.flats:
        yield flat.name, _flat_words(flat)
    for name, straight in facts.linearity:
        yield (
            f"linearity, {name}",
            f"within {percent(straight.largest_deviation, 2)}, on average "
            f"{percent(straight.mean_deviation, 2)}, "
            f"of {straight.points} flats",
        )


def _bias_rows(facts: CameraFacts) -> Iterator[tuple[str, str]]:
    bias = facts.bias
    if bias is None:
        return
    yield "bias level", f"{bias.level_adu:.2f} ADU, mean of {bias.frames}"
    if bias.by_hour is not None:
        yield "  drift in time", _trend_words(bias.by_hour, "hour")
    if bias.by_degree is not None:
        yield "  drift with temperature", _trend_words(bias.by_degree, "°C")


def _trend_words(drift: Trend, per: str) -> str:
    # few frames, whose own scatter gives the error: 3 σ comes about by chance too often
    sure = "" if drift.significance > 5 else "; not certain with so few frames"
    slope = with_error(drift.slope, drift.error, sign="+")
    return f"{slope} ADU per {per}, {drift.change:+.2g} ADU in all{sure}".replace("-", "−")


def _dark_words(dark: DarkFacts) -> str:
    if dark.rate_e_s is not None and dark.error_e_s is not None:
        rate = f"{with_error(dark.rate_e_s, dark.error_e_s)} e⁻/s per pixel"
    else:
        rate = f"{with_error(dark.rate_adu_s, dark.error_adu_s)} ADU/s per pixel"
    hot = f", {percent(dark.hot_share, 3)} hot pixels" if dark.hot_share is not None else ""
    return rate.replace("-", "−") + hot


def _flat_words(flat: FlatFacts) -> str:
    parts = [f"{flat.level_adu:.0f} ADU above bias"]
    if flat.level_share is not None:
        parts.append(f"{percent(flat.level_share)} of saturation")
    if flat.vignetting is not None:
        fall_off = flat.vignetting
        parts.append(
            f"corners {percent(fall_off.corners, 1)} and edges {percent(fall_off.edges, 1)} darker"
        )
    if flat.response is not None:
        parts.append(
            f"pixel response {percent(flat.response.rms, 3)} ± "
            f"{percent(flat.response.error, 3)} rms"
        )
    return ", ".join(parts).replace("-", "−")
