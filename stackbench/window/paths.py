"""The few SVG path commands that filter marks are drawn with, as a QPainterPath."""

import re
from functools import cache

from PySide6.QtGui import QPainterPath

_TOKEN = re.compile(r"[MLhvalzHV]|-?\d*\.?\d+")


@cache
def path_of(drawing: str) -> QPainterPath:
    """Turn an SVG path into a painter's.

    Parameters
    ----------
    drawing : str
        With the commands M, L, h, v, z, and an a that is half of a circle.

    Returns
    -------
    QPainterPath
        The same outline; kept and given again, so do not change it.

    Raises
    ------
    ValueError
        If another command is met.
    """
    path = QPainterPath()
    tokens = _TOKEN.findall(drawing)
    if "a" in tokens:
        radius = float(tokens[tokens.index("a") + 1])
        path.addEllipse(-radius, -radius, 2 * radius, 2 * radius)
        return path
    numbers: list[float] = []
    command = ""
    x = y = 0.0
    for token in tokens:
        if token.isalpha():
            command = token
            if token == "z":  # noqa: S105 - a drawing command
                path.closeSubpath()
            continue
        numbers.append(float(token))
        if command in "ML" and len(numbers) == 2:
            x, y = numbers
            if command == "M":
                path.moveTo(x, y)
            else:
                path.lineTo(x, y)
            command, numbers = "L", []
        elif command in "hv":
            x, y = (x + numbers[0], y) if command == "h" else (x, y + numbers[0])
            path.lineTo(x, y)
            numbers = []
        elif command not in "ML":
            raise ValueError(f"unknown drawing command {command!r} in {drawing!r}")
    return path
