"""Cloud and haze, dusk and dawn, and the Moon, from transparency and sky."""

import math
from collections.abc import Sequence

import numpy as np

from stackbench.frames.words import percent
from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.series import (
    Floats,
    begin_of,
    clock,
    end_of,
    in_time,
    relative_to_filter,
    robust_sigma,
    stretches,
)

# Less light lost than this is what clear air does of itself.
_LEAST_LOSS_MAG = 0.15
# A single sub must lose more, since one star pairing may go wrong.
_LEAST_SINGLE_MAG = 0.4
_LEAST_SUBS = 8
# The sky is said to have brightened from this factor on.
_BRIGHTER = 1.3
_TWILIGHT_FACTOR = 1.6
_MOON_FACTOR = 1.2
# Counts vary by some per cent of themselves; fewer than this is evidence.
_FEWER_STARS = 0.95
_ASTRONOMICAL_DEG = -18.0


def weather_findings(subs: Sequence[Observation]) -> list[Finding]:
    """Look for cloud, twilight and moonlight in a target's subs.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup, all filters; times are needed.

    Returns
    -------
    list of Finding
        In order of time.
    """
    ordered = in_time(subs)
    if len(ordered) < _LEAST_SUBS:
        return []
    sky = relative_to_filter(ordered, lambda one: one.measures.sky_adu)
    lost = _light_lost(ordered)
    found = [
        *_clouds(ordered, lost, sky),
        *_twilights(ordered, sky, lost),
        *_moon(ordered, sky, lost),
    ]
    return sorted(found, key=lambda one: str(one.start))


def magnitudes_lost(transparency: float | None) -> float:
    """Tell by how much stars are fainter behind air that lets a share of their light through.

    Parameters
    ----------
    transparency : float or None
        The share.

    Returns
    -------
    float
        Magnitudes; NaN where the share is unknown or not above zero.

    References
    ----------
    Pogson 1856, MNRAS 17, 12: five magnitudes are a factor of 100.
    """
    if transparency is None or not transparency > 0:
        return math.nan
    return -2.5 * math.log10(transparency)


def _light_lost(subs: Sequence[Observation]) -> Floats:
    """Tell the light lost in each sub, magnitudes, beyond what clear air takes.

    Clear air is what most subs show: a level per filter, and a slope with
    airmass where it is known and changes. Subs that lie below it are dropped
    from the fit by and by, but never more than half.
    """
    lost = np.array([magnitudes_lost(one.measures.transparency) for one in subs])
    known = np.isfinite(lost)
    if np.count_nonzero(known) < _LEAST_SUBS:
        return np.full(len(subs), np.nan)
    names = sorted({str(one.filter) for one in subs})
    columns = [np.array([float(str(one.filter) == name) for one in subs]) for name in names]
    airmass = np.array([one.airmass if one.airmass is not None else np.nan for one in subs])
    if np.isfinite(airmass[known]).all() and np.ptp(airmass[known]) > 0.1:
        columns.append(airmass - 1)
    design = np.column_stack(columns)
    design = design[:, np.abs(design[known]).sum(axis=0) > 0]
    used = known.copy()
    residuals = lost
    for _ in range(20):
        coefficients, *_ = np.linalg.lstsq(design[used], lost[used], rcond=None)
        residuals = lost - design @ coefficients
        centre = float(np.median(residuals[used]))
        limit = max(0.08, 3 * robust_sigma(residuals[used]))
        kept = known & (residuals - centre < limit)
        if np.count_nonzero(kept) < np.count_nonzero(known) / 2 or (kept == used).all():
            break
        used = kept
    return residuals


def _clouds(subs: Sequence[Observation], lost: Floats, sky: Floats) -> list[Finding]:
    clear = lost[lost < _LEAST_LOSS_MAG]
    limit = max(_LEAST_LOSS_MAG, 5 * robust_sigma(clear))
    found = []
    for stretch in stretches([bool(value > limit) for value in lost]):
        depth = float(np.max(lost[stretch]))
        if len(stretch) < 2 and depth < _LEAST_SINGLE_MAG:
            continue
        found.append(_cloud(subs, stretch, lost, sky))
    return found


def _cloud(
    subs: Sequence[Observation], stretch: Sequence[int], lost: Floats, sky: Floats
) -> Finding:
    clouded = [subs[n] for n in stretch]
    start, end = begin_of(clouded[0]), end_of(clouded[-1])
    depth = float(np.max(lost[stretch]))
    typical = float(np.median(lost[stretch]))
    share = 1 - 10 ** (-0.4 * depth)
    around = [n for n in range(len(subs)) if n not in set(stretch)]
    brighter = float(np.nanmedian(sky[stretch]) / np.nanmedian(sky[around])) if around else np.nan
    lit = bool(brighter > _BRIGHTER)
    steady = depth - typical < 0.3 * depth and len(stretch) >= 6
    name = "haze or thin high cloud" if steady and not lit else "cloud"
    when = f"from {clock(start)} to {clock(end)}"
    several = len(stretch) > 1
    evidence = [
        f"stars lost {'up to ' if several else ''}{percent(share)} of their light "
        f"({depth:.2f} mag{f', typically {typical:.2f} mag' if several else ''})",
    ]
    light = ""
    if np.isfinite(brighter):
        light = " and lit the sky" if lit else " without lighting the sky"
        evidence.append(f"sky {brighter:.2f} times that of the other subs")
    stars = relative_to_filter(subs, lambda one: float(one.measures.stars or 0))
    fewer = float(np.nanmedian(stars[stretch]))
    if fewer < _FEWER_STARS:
        evidence.append(f"{percent(fewer)} of the usual number of stars")
    sure = len(stretch) >= 3 and (not np.isfinite(fewer) or fewer < 1)
    return Finding(
        topic=Topic.WEATHER,
        cause="cloud",
        title=f"{name[0].upper()}{name[1:]} {when} UTC",
        text=f"{name[0].upper()}{name[1:]} took light {when} UTC{light}.",
        evidence=tuple(evidence),
        confidence=Confidence.CERTAIN if sure else Confidence.LIKELY,
        figures=(
            Figure(name="light lost", value=share),
            Figure(name="sky brightened", value=brighter),
        ),
        subs=tuple(one.path for one in clouded),
        measures=("transparency", "sky_adu", "stars"),
        start=start,
        end=end,
        remedy="Subs that lost more than about a third are better left out; the others "
        "weigh less in the stack of themselves.",
    )


def _twilights(subs: Sequence[Observation], sky: Floats, lost: Floats) -> list[Finding]:
    """Find a sky that brightens towards the end of a night, or darkens from its start."""
    found = []
    forward = list(range(len(subs)))
    for order, dawn in ((forward[::-1], True), (forward, False)):
        run = _bright_run(subs, sky, order)
        if len(run) >= 2 or (run and _lit_by_the_sun(subs[run[0]], lost[run[0]])):
            found.append(_twilight(subs, sorted(run), sky, dawn=dawn))
    return found


def _lit_by_the_sun(sub: Observation, lost: float) -> bool:
    """Tell whether one bright sub is evidence enough: clear air, and the Sun not far enough down.

    Without the Sun's altitude a lamp, a car or a cloud would look the same.
    """
    up = sub.place is not None and sub.place.sun_altitude_deg > _ASTRONOMICAL_DEG
    return up and not lost > _LEAST_LOSS_MAG


def _bright_run(subs: Sequence[Observation], sky: Floats, order: Sequence[int]) -> list[int]:
    """Give the bright subs at one end of the night, brightest at the very end.

    Where the Sun's altitude is known it decides; elsewhere the sky must rise
    all the way and at least double.
    """
    known = [n for n in order if np.isfinite(sky[n])]
    run: list[int] = []
    for n in known:
        place = subs[n].place
        lit = place is None or place.sun_altitude_deg > _ASTRONOMICAL_DEG - 1
        inward = not run or sky[n] <= 1.1 * sky[run[-1]]
        if not (lit and inward and sky[n] > _TWILIGHT_FACTOR):
            break
        run.append(n)
    if run and subs[run[0]].place is None and not (sky[run[0]] > 2.0 and len(run) >= 3):
        return []
    return run


def _twilight(
    subs: Sequence[Observation], run: Sequence[int], sky: Floats, *, dawn: bool
) -> Finding:
    lit = [subs[n] for n in run]
    start, end = begin_of(lit[0]), end_of(lit[-1])
    worst = float(np.max(sky[run]))
    name = "dawn" if dawn else "dusk"
    place = (lit[-1] if dawn else lit[0]).place
    single = len(lit) == 1
    evidence = [f"sky {'' if single else 'up to '}{worst:.1f} times that of the night"]
    if place is not None:
        evidence.append(f"Sun at {place.sun_altitude_deg:.0f}°".replace("-", "−"))
    boundary = f"after {clock(start)}" if dawn else f"before {clock(end)}"
    return Finding(
        topic=Topic.WEATHER,
        cause=name,
        title=f"{name.capitalize()} in the {'sub' if single else 'subs'} {boundary} UTC",
        text=f"The sky was lit by {name} {boundary} UTC.",
        evidence=tuple(evidence),
        confidence=Confidence.CERTAIN if place is not None else Confidence.LIKELY,
        figures=(Figure(name="sky brightened", value=worst),),
        subs=tuple(one.path for one in lit),
        measures=("sky_adu",),
        start=start,
        end=end,
        remedy="End the lights at the end of astronomical darkness (Sun 18° below the horizon) "
        "and use the twilight for flats."
        if dawn
        else "Begin the lights when the Sun is 18° below the horizon.",
    )


def _moon(subs: Sequence[Observation], sky: Floats, lost: Floats) -> list[Finding]:
    """Compare the sky with the Moon up and down, in dark and clear subs."""
    places = [one.place for one in subs]
    usable = [
        n
        for n, place in enumerate(places)
        if place is not None
        and place.sun_altitude_deg < _ASTRONOMICAL_DEG
        and np.isfinite(sky[n])
        and not lost[n] > _LEAST_LOSS_MAG
    ]
    up = [n for n in usable if (p := places[n]) is not None and p.moon_altitude_deg > 0]
    down = [n for n in usable if n not in set(up)]
    if len(up) < 4 or len(down) < 4:
        return []
    ratio = float(np.median(sky[up]) / np.median(sky[down]))
    scatter = robust_sigma(np.log(sky[down]))
    # the sky wanders by itself; it must rise well beyond that
    if ratio < max(_MOON_FACTOR, float(np.exp(4 * scatter))):
        return []
    lit = [subs[n] for n in up]
    place = max((p for n in up if (p := places[n])), key=lambda p: p.moon_altitude_deg)
    start, end = begin_of(lit[0]), end_of(lit[-1])
    rises = up[0] > down[0]
    what = f"Moon up from {clock(start)} UTC" if rises else f"Moon up until {clock(end)} UTC"
    return [
        Finding(
            topic=Topic.WEATHER,
            cause="moonlight",
            title=f"{what}: sky {ratio:.1f} times as bright",
            text=f"With the Moon up the sky was {ratio:.1f} times as bright as without it, "
            f"which raises the noise of sky-limited subs by {percent(np.sqrt(ratio) - 1)}.",
            evidence=(
                f"sky {ratio:.2f} times as bright in {len(up)} subs with the Moon up as in "
                f"{len(down)} without",
                f"Moon up to {place.moon_altitude_deg:.0f}° high, "
                f"{percent(place.moon_illuminated)} lit, {place.moon_separation_deg:.0f}° away",
            ),
            confidence=Confidence.CERTAIN,
            figures=(Figure(name="sky brightened", value=ratio),),
            subs=tuple(one.path for one in lit),
            measures=("sky_adu",),
            start=start,
            end=end,
            remedy="Take broad-band filters while the Moon is down, and narrow-band ones when it "
            "is up.",
        )
    ]
