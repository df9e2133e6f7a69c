"""A sub told in words: its state, its measures, where it lies among others."""

from datetime import datetime

from stackbench.frames.times import mid_exposure
from stackbench.frames.words import percent, seconds
from stackbench.review.limits import PlacedLimit
from stackbench.review.standing import Standing, standing
from stackbench.window.measures import MEASURES, Measure
from stackbench.window.night import Lane, NightModel, SubRow
from stackbench.window.skywords import sky_words


def state_words(row: SubRow) -> str:
    """Say what becomes of a sub.

    Parameters
    ----------
    row : SubRow
        The sub.

    Returns
    -------
    str
        For example "rejected by the rules, in doubt".
    """
    if row.verdict is None:
        return "not judged yet"
    what = "rejected" if row.rejected else "kept"
    if row.by_hand:
        return f"{what} by hand"
    return f"{what} by the rules" + (", in doubt" if row.doubt > 0 else "")


def clock(time: datetime | None) -> str:
    """Write the time of day of an exposure's start.

    Parameters
    ----------
    time : datetime or None
        UTC.

    Returns
    -------
    str
        Such as "21:04 UTC".
    """
    return "time unknown" if time is None else f"{time:%H:%M} UTC"


def sub_line(row: SubRow, model: NightModel) -> str:
    """Name a sub on one line.

    Parameters
    ----------
    row : SubRow
        The sub.
    model : NightModel
        The night.

    Returns
    -------
    str
        File, filter, exposure, the evening where there are several, time.
    """
    evening = model.evening_of(row)
    parts = (
        row.path.name,
        model.lanes[row.lane].filter_name,
        seconds(row.frame.exposure_s),
        f"night of {evening}" if evening else "",
        clock(row.frame.time),
    )
    return ", ".join(filter(None, parts))


def tip(row: SubRow, model: NightModel) -> str:
    """Tell the most about a sub in a few lines.

    Parameters
    ----------
    row : SubRow
        The sub.
    model : NightModel
        The night.

    Returns
    -------
    str
        Plain text.
    """
    lines = [sub_line(row, model), state_words(row)]
    sky = sky_of(row, model)
    if sky:
        lines.append(sky)
    if row.path in model.trial_changes:
        change = model.trial_changes[row.path]
        lines.append(f"with the moved limit: {change.after.decision.value}")
    if row.judged is not None:
        measures = [one for one in MEASURES if one.name != "altitude_deg"]  # told with the sky
        known = [(one, row.value(one.name)) for one in measures]
        lines += [f"{one.words} {one.written(value)}" for one, value in known if value is not None]
        lines += [reason.text for reason in row.judged.verdict.reasons]
    return "\n".join(lines)


def spoken(row: SubRow, model: NightModel) -> str:
    """Tell of a sub in one line, to be read aloud.

    Parameters
    ----------
    row : SubRow
        The sub.
    model : NightModel
        The night.

    Returns
    -------
    str
        Its line, state and sky.
    """
    told = (f"{sub_line(row, model)}: {state_words(row)}", sky_of(row, model))
    return ". ".join(filter(None, told))


def sky_of(row: SubRow, model: NightModel) -> str:
    """Tell the sky in the middle of a sub's exposure, and how high it pointed.

    Parameters
    ----------
    row : SubRow
        The sub.
    model : NightModel
        The night.

    Returns
    -------
    str
        For example "altitude 52°, night, Moon down"; empty when unknown.
    """
    moment = model.state.sky.at(mid_exposure(row.frame))
    parts = [
        f"altitude {row.altitude_deg:.0f}°" if row.altitude_deg is not None else "",
        sky_words(moment) if moment is not None else "",
    ]
    return ", ".join(filter(None, parts))


def rank_words(row: SubRow, measure: Measure, model: NightModel) -> str:
    """Tell where a sub's value lies among those of its filter.

    Parameters
    ----------
    row : SubRow
        The sub.
    measure : Measure
        The measure.
    model : NightModel
        The night.

    Returns
    -------
    str
        For example "9th of 10", the lowest being the first; empty when unknown.
    """
    known = _standing(row, measure, model)
    return "" if known is None else _rank(known)


def place_words(row: SubRow, measure: Measure, model: NightModel) -> str:
    """Tell in a sentence where a sub's value lies among those of its filter.

    Parameters
    ----------
    row : SubRow
        The sub.
    measure : Measure
        The measure.
    model : NightModel
        The night.

    Returns
    -------
    str
        With the share of the others that are lower, and the limit.
    """
    known = _standing(row, measure, model)
    if known is None:
        return f"{measure.words}: unknown"
    lane = model.lanes[row.lane]
    limit = limit_of(lane, measure, row)
    return (
        f"{measure.words} {measure.written(row.value(measure.name))}: {_rank(known)} from the "
        f"lowest, {percent(known.below)} of the other {lane.filter_name} subs are lower"
        + (f"; the limit is {measure.written(limit.limit)}" if limit is not None else "")
    )


def limit_of(lane: Lane, measure: Measure, row: SubRow) -> PlacedLimit | None:
    """Find the limit that holds for a sub.

    Parameters
    ----------
    lane : Lane
        The sub's lane.
    measure : Measure
        The measure.
    row : SubRow
        The sub.

    Returns
    -------
    PlacedLimit or None
        None when there is none.
    """
    for placed in lane.limits:
        if placed.measure == measure.name and placed.holds_for(row.frame.exposure_s):
            return placed
    return None


def _standing(row: SubRow, measure: Measure, model: NightModel) -> Standing | None:
    value = row.value(measure.name)
    return None if value is None else standing(value, model.values(row.lane, measure.name))


def _rank(known: Standing) -> str:
    return f"{_ordinal(known.rank)} of {known.count}"


def _ordinal(number: int) -> str:
    if number % 100 in (11, 12, 13):
        return f"{number}th"
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th') }"
