"""Numbers as people write them."""

import math


def celsius(value: float | None) -> str:
    """Write a temperature with a true minus sign.

    Parameters
    ----------
    value : float or None
        Temperature, °C.

    Returns
    -------
    str
        With one decimal and the unit; "unknown temperature" for None.
    """
    return "unknown temperature" if value is None else f"{value:.1f} °C".replace("-", "−")


def seconds(value: float | None) -> str:
    """Write an exposure time in seconds, however long it is.

    Parameters
    ----------
    value : float or None
        Time, s.

    Returns
    -------
    str
        For example "300 s" or "0.5 s"; "unknown exposure" for None.
    """
    return "unknown exposure" if value is None else f"{value:g} s"


def duration(value: float | None) -> str:
    """Write a length of time in the unit that suits it.

    Parameters
    ----------
    value : float or None
        Time, s.

    Returns
    -------
    str
        Seconds below two minutes, whole ones from ten on, else minutes or hours
        and minutes; "unknown exposure" for None.
    """
    if value is None or value < 10:
        return seconds(value)
    whole = math.floor(value + 0.5)
    if whole < 120 or (whole < 600 and whole % 60):
        return f"{whole} s"
    # halves up: 90 s more are no less time than half a minute more
    hours, minutes = divmod(math.floor(value / 60 + 0.5), 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def counted(number: int, noun: str) -> str:
    """Write a number with its noun, in the plural where it must be.

    Parameters
    ----------
    number : int
        How many.
    noun : str
        In the singular; its plural ends in s.

    Returns
    -------
    str
        For example "1 frame" or "12 frames".
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def thousands(number: int) -> str:
    """Write a large number in groups of three digits.

    Parameters
    ----------
    number : int
        The number.

    Returns
    -------
    str
        With narrow spaces that do not break, for example "12 345".
    """
    return f"{number:,}".replace(",", "\u202f")


def percent(share: float, digits: int = 0) -> str:
    """Write a share in per cent.

    Parameters
    ----------
    share : float
        Of 1.
    digits : int
        How many decimals.

    Returns
    -------
    str
        For example "66 %".
    """
    return f"{100 * share:.{digits}f} %"


def with_error(value: float, error: float, *, sign: str = "") -> str:
    """Write a measured value with its 1σ, both to the same decimal.

    Parameters
    ----------
    value, error : float
        In one unit.
    sign : str
        "+" to write the sign of positive values too.

    Returns
    -------
    str
        The error to two digits, as the Guide to the Expression of Uncertainty in
        Measurement, section 7.2.6, has it; for example "0.412 ± 0.013". Whole
        numbers where two digits are not worth a decimal, five digits of the value
        where the error is 0 or unknown.
    """
    if not (math.isfinite(error) and error > 0):
        return f"{value:{sign}.5g} ± {error:g}".replace("-", "−")
    # as it will be rounded: 0.0996 is written 0.10
    decimals = max(0, 1 - math.floor(math.log10(float(f"{error:.1e}"))))
    return f"{value:{sign}.{decimals}f} ± {error:.{decimals}f}".replace("-", "−")
