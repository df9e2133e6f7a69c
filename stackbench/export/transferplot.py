"""The photon transfer of a camera as a picture: noise against light, both logarithmic."""

import math
from collections.abc import Sequence
from xml.sax.saxutils import escape

from stackbench.calibration.phototransfer import TransferLine, TransferPoint

_WIDTH, _HEIGHT = 640, 440
_LEFT, _RIGHT, _TOP, _BOTTOM = 76, 20, 44, 56
_STEPS = 60  # pieces of the curve


def transfer_svg(
    points: Sequence[TransferPoint], line: TransferLine, *, title: str, caption: str
) -> str:
    """Draw a photon transfer.

    Parameters
    ----------
    points : sequence of TransferPoint
        The measured points; those without light are drawn as a level.
    line : TransferLine
        The fit through them.
    title, caption : str
        Above the picture, and below the title.

    Returns
    -------
    str
        An SVG document: σ of a pixel (ADU) against signal (ADU), points with
        1σ bars, the fit, and the level of the noise without light.
    """
    lit = [point for point in points if point.signal_adu > 0 and point.variance_adu2 > 0]
    dark = [math.sqrt(point.variance_adu2) for point in points if point.signal_adu <= 0]
    x = _Axis([1.0, *(point.signal_adu for point in lit)], start=_LEFT, end=_WIDTH - _RIGHT)
    noises = [*dark, *(math.sqrt(point.variance_adu2) for point in lit)]
    y = _Axis([one for one in noises if one > 0], start=_HEIGHT - _BOTTOM, end=_TOP)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH}" height="{_HEIGHT}" '
        f'viewBox="0 0 {_WIDTH} {_HEIGHT}" font-family="sans-serif" font-size="12">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="#ffffff"/>',
        f'<text x="{_LEFT}" y="18" font-size="14">{escape(title)}</text>',
        f'<text x="{_LEFT}" y="34" fill="#555555">{escape(caption)}</text>',
    ]
    for tick in x.ticks:
        at = x.place(tick)
        parts.append(_stroke(at, _TOP, at, _HEIGHT - _BOTTOM, "#dddddd"))
        parts.append(_label(at, _HEIGHT - _BOTTOM + 18, f"{tick:g}", "middle"))
    for tick in y.ticks:
        at = y.place(tick)
        parts.append(_stroke(_LEFT, at, _WIDTH - _RIGHT, at, "#dddddd"))
        parts.append(_label(_LEFT - 8, at + 4, f"{tick:g}", "end"))
    middle = (_LEFT + _WIDTH - _RIGHT) / 2
    parts.append(_label(middle, _HEIGHT - 14, "signal above bias, ADU", "middle"))
    parts.append(
        f'<text x="20" y="{_HEIGHT / 2}" text-anchor="middle" '
        f'transform="rotate(-90 20 {_HEIGHT / 2})">noise of a pixel, ADU</text>'
    )
    for level in dark:
        at = y.place(level)
        parts.append(_stroke(_LEFT, at, _WIDTH - _RIGHT, at, "#0072b2", dashes="5 4"))
    parts.append(_curve(line, x, y))
    for point in lit:
        parts += _mark(point, x, y)
    return "\n".join([*parts, "</svg>", ""])


class _Axis:
    """Values along an axis, logarithmic, whole decades."""

    def __init__(self, values: Sequence[float], *, start: float, end: float) -> None:
        self._low = math.floor(math.log10(min(values, default=1.0)))
        self._high = max(self._low + 1, math.ceil(math.log10(max(values, default=10.0))))
        self._start, self._end = start, end
        self.ticks = [10.0**power for power in range(self._low, self._high + 1)]

    def place(self, value: float) -> float:
        share = (math.log10(value) - self._low) / (self._high - self._low)
        share = min(max(share, 0.0), 1.0)
        return round(self._start + share * (self._end - self._start), 1)

    def values(self) -> list[float]:
        """Even steps from end to end."""
        step = (self._high - self._low) / _STEPS
        return [10.0 ** (self._low + step * index) for index in range(_STEPS + 1)]


def _curve(line: TransferLine, x: _Axis, y: _Axis) -> str:
    places = [
        f"{x.place(signal)},{y.place(math.sqrt(variance))}"
        for signal in x.values()
        if (variance := line.intercept + line.slope * signal) > 0
    ]
    return f'<polyline points="{" ".join(places)}" fill="none" stroke="#d55e00"/>'


def _mark(point: TransferPoint, x: _Axis, y: _Axis) -> list[str]:
    at, noise = x.place(point.signal_adu), math.sqrt(point.variance_adu2)
    error = point.error_adu2 / (2 * noise)
    words = escape(f"{point.signal_adu:.0f} ADU: noise {noise:.2f} ± {error:.2f} ADU")
    low, high = y.place(max(noise - error, noise / 2)), y.place(noise + error)
    return [
        _stroke(at, low, at, high, "#000000"),
        f'<circle cx="{at}" cy="{y.place(noise)}" r="3.5"><title>{words}</title></circle>',
    ]


def _stroke(x1: float, y1: float, x2: float, y2: float, hue: str, *, dashes: str = "") -> str:
    pattern = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" stroke="{hue}"{pattern}/>'


def _label(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}">{escape(words)}</text>'
