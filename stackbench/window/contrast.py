"""How well one colour is seen on another."""

from PySide6.QtGui import QColor

# Web Content Accessibility Guidelines (WCAG) 2.2, 1.4.3 and 1.4.11, level AA.
TEXT = 4.5
PARTS = 3.0


def contrast(one: QColor, other: QColor) -> float:
    """Measure the contrast of two opaque colours.

    Parameters
    ----------
    one, other : QColor
        The colours; their order does not matter.

    Returns
    -------
    float
        From 1 to 21.

    References
    ----------
    WCAG 2.2, "contrast ratio" and "relative luminance".
    """
    dark, light = sorted((_luminance(one), _luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def told_apart(colour: QColor, ground: QColor) -> QColor:
    """Change the lightness of a colour until it is seen on a ground.

    Parameters
    ----------
    colour : QColor
        The colour, whose hue stays.
    ground : QColor
        What it is drawn on.

    Returns
    -------
    QColor
        The same where it is seen already, else darker on a light ground and
        lighter on a dark one.
    """
    step = -1 if ground.lightness() > 127 else 1
    hue, saturation, lightness = colour.hslHue(), colour.hslSaturation(), colour.lightness()
    while contrast(colour, ground) < PARTS and 0 < lightness < 255:
        lightness += step
        colour = QColor.fromHsl(hue, saturation, lightness)
    return colour


def _luminance(colour: QColor) -> float:
    red, green, blue = colour.redF(), colour.greenF(), colour.blueF()
    return 0.2126 * _linear(red) + 0.7152 * _linear(green) + 0.0722 * _linear(blue)


def _linear(part: float) -> float:
    return part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4
