"""Twilight and Moon in words."""

from collections.abc import Sequence
from datetime import UTC, datetime

from stackbench.job.skies import (
    ASTRONOMICAL_DEG,
    CIVIL_DEG,
    NAUTICAL_DEG,
    NightSky,
    SkyMoment,
)

# From dark to light; a ribbon shades them in this order.
NIGHT, ASTRONOMICAL, NAUTICAL, CIVIL, DAY = PHASES = (
    "night",
    "astronomical twilight",
    "nautical twilight",
    "civil twilight",
    "day",
)
UNKNOWN_SKY = "Twilight and Moon are not shown: the headers give no site, or no time."


def phase_of(moment: SkyMoment) -> str:
    """Name the light of the sky.

    Parameters
    ----------
    moment : SkyMoment
        The moment.

    Returns
    -------
    str
        One of `PHASES`.
    """
    for phase, least in (
        (DAY, 0.0),
        (CIVIL, CIVIL_DEG),
        (NAUTICAL, NAUTICAL_DEG),
        (ASTRONOMICAL, ASTRONOMICAL_DEG),
    ):
        if moment.sun_deg > least:
            return phase
    return NIGHT


def sky_words(moment: SkyMoment) -> str:
    """Tell the sky at a moment.

    Parameters
    ----------
    moment : SkyMoment
        The moment.

    Returns
    -------
    str
        For example "nautical twilight, Moon 34° high and 43 % lit".
    """
    lit = f"{100 * moment.moonlit:.0f} % lit"
    moon = f"Moon {moment.moon_deg:.0f}° high and {lit}" if moment.moon_deg > 0 else "Moon down"
    return f"{phase_of(moment)}, {moon}"


def moment_words(sky: NightSky, moment: datetime) -> str:
    """Tell the sky at any moment of a night, with the time.

    Parameters
    ----------
    sky : NightSky
        The night's sky.
    moment : datetime
        The moment.

    Returns
    -------
    str
        Why it is not known where it is not.
    """
    known = sky.at(moment)
    return UNKNOWN_SKY if known is None else f"{moment:%H:%M} UTC: {sky_words(known)}"


def night_words(sky: NightSky) -> str:
    """Tell the sky of a whole night, or why it is not known.

    Parameters
    ----------
    sky : NightSky
        The sky.

    Returns
    -------
    str
        One or two sentences.
    """
    if not sky.moments:
        return UNKNOWN_SKY
    dark = [one for one in sky.moments if phase_of(one) == NIGHT]
    up = [one for one in sky.moments if one.moon_deg > 0]
    lit = sky.moments[len(sky.moments) // 2].moonlit
    words = f"Dark {_spans(dark, sky)}." if dark else "It never got dark."
    moon = f"up {_spans(up, sky)}" if up else "down all the time"
    return f"{words} Moon {100 * lit:.0f} % lit, {moon}."


def _spans(moments: Sequence[SkyMoment], sky: NightSky) -> str:
    """Write the runs of moments without a gap, such as "18:52 to 04:41 UTC"."""
    if len(moments) == len(sky.moments):
        return "all the time"
    runs: list[list[SkyMoment]] = []
    for one in moments:
        if runs and one.time_s - runs[-1][-1].time_s < 120:
            runs[-1].append(one)
        else:
            runs.append([one])
    spans = [f"{_clock(run[0].time_s)} to {_clock(run[-1].time_s)}" for run in runs]
    return f"{' and '.join(spans)} UTC"


def _clock(time_s: float) -> str:
    return f"{datetime.fromtimestamp(time_s, tz=UTC):%H:%M}"
