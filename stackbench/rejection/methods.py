"""How values are rejected along the depth, and which way suits which depth."""

from dataclasses import dataclass, replace
from enum import StrEnum

FEWEST_FOR_SIGMA_CLIP = 4


class Method(StrEnum):
    """A way of rejecting values along the depth."""

    AUTO = "auto"
    NONE = "none"
    MEDIAN = "median"
    MIN_MAX = "min-max"
    SIGMA_CLIP = "sigma-clip"
    WINSORISED = "winsorised"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejection:
    """What to reject along the depth, with every choice named.

    ============ ============================ ============================== =======
    method       centre                       scale                          ddof
    ============ ============================ ============================== =======
    sigma-clip  median, then mean of kept    MAD × 1.4826 × small-sample    1
                                              factor, then standard
                                              deviation of the kept values
    winsorised   median, then mean of values  as above, then 1.133393 ×      1
                 pulled in to ± 1.5 scales    their standard deviation
    min-max      none                         none                           none
    median       result itself                none                           none
    ============ ============================ ============================== =======

    `low` and `high` (κ) are the limits below and above the centre in units of
    the scale, stated for a large depth: they stand for the share of good
    values given up (κ = 3 on both sides: 0.27 %). At small depth, where the
    scale itself is uncertain, the limits are widened so that this share stays
    (Student's t). Values that an iteration let go may come back in the next;
    it ends when none comes or goes, or after `iterations`.

    `lowest` and `highest` are the counts that min-max drops; where few values
    are valid, as many on either side as leaves one.
    """

    method: Method = Method.AUTO
    low: float = 3.0
    high: float = 3.0
    iterations: int = 10
    lowest: int = 1
    highest: int = 1

    def __post_init__(self) -> None:
        for name, kappa in (("low", self.low), ("high", self.high)):
            if not 1.0 <= kappa <= 10.0:
                raise ValueError(f"κ ({name}) must be from 1 to 10, got {kappa}")
        if self.iterations < 1:
            raise ValueError(f"iterations must be at least 1, got {self.iterations}")
        if self.lowest < 0 or self.highest < 0:
            raise ValueError(f"counts below 0: lowest {self.lowest}, highest {self.highest}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The rejection that is used, why, and what should be said about it."""

    rejection: Rejection
    reason: str
    warnings: tuple[str, ...] = ()


def choose(rejection: Rejection, depth: int) -> Choice:
    """Settle the way of rejecting for a given number of frames.

    Automatic choice: one or two frames cannot tell which of them is wrong, so
    nothing is rejected; three give their median; from four on κσ, whose limits
    are widened at small depth so that it gives up the same share of good
    values at every depth. A method asked for by name is kept wherever it can
    work.

    Parameters
    ----------
    rejection : Rejection
        What was asked for.
    depth : int
        Number of frames, at least 1.

    Returns
    -------
    Choice
        A rejection whose method is never `Method.AUTO`, with the reason and
        plain warnings.

    Raises
    ------
    ValueError
        If `depth` is less than 1.
    """
    if depth < 1:
        raise ValueError(f"depth must be at least 1, got {depth}")
    if rejection.method is Method.AUTO:
        return _automatic(rejection, depth)
    if rejection.method in (Method.SIGMA_CLIP, Method.WINSORISED):
        return _clipped(rejection, depth)
    if rejection.method is Method.MIN_MAX:
        return _trimmed(rejection, depth)
    return Choice(rejection=rejection, reason=f"{rejection.method} was asked for")


def _automatic(rejection: Rejection, depth: int) -> Choice:
    if depth < 3:
        return Choice(
            rejection=replace(rejection, method=Method.NONE),
            reason=f"{_frames(depth)} cannot tell which value is wrong: plain mean",
            warnings=(
                f"with {_frames(depth)} nothing can be rejected; "
                "satellite trails stay, and cosmic rays unless the settings have them looked for",
            ),
        )
    if depth < FEWEST_FOR_SIGMA_CLIP:
        return Choice(
            rejection=replace(rejection, method=Method.MEDIAN),
            reason=f"{_frames(depth)} are too few for κσ: median",
            warnings=(
                f"with {_frames(depth)} the median is taken, "
                "which has 16 % more noise than the mean",
            ),
        )
    return Choice(
        rejection=replace(rejection, method=Method.SIGMA_CLIP),
        reason=f"κσ suits {_frames(depth)}",
        warnings=_weak(depth),
    )


def _clipped(rejection: Rejection, depth: int) -> Choice:
    if depth >= FEWEST_FOR_SIGMA_CLIP:
        return Choice(
            rejection=rejection,
            reason=f"{rejection.method} was asked for",
            warnings=_weak(depth),
        )
    instead = Method.MEDIAN if depth == 3 else Method.NONE
    return Choice(
        rejection=replace(rejection, method=instead),
        reason=f"{_frames(depth)} are too few for {rejection.method}",
        warnings=(
            f"{rejection.method} needs {FEWEST_FOR_SIGMA_CLIP} frames, there are {depth}: "
            + ("the median is taken" if depth == 3 else "nothing is rejected"),
        ),
    )


def _trimmed(rejection: Rejection, depth: int) -> Choice:
    dropped = rejection.lowest + rejection.highest
    if dropped < depth:
        return Choice(rejection=rejection, reason=f"{rejection.method} was asked for")
    most = (depth - 1) // 2
    fitting = replace(
        rejection,
        lowest=min(rejection.lowest, most),
        highest=min(rejection.highest, most),
    )
    return Choice(
        rejection=fitting,
        reason=f"{rejection.method} was asked for",
        warnings=(
            f"dropping {dropped} of {_frames(depth)} would leave none: "
            f"{fitting.lowest} lowest and {fitting.highest} highest are dropped",
        ),
    )


def _weak(depth: int) -> tuple[str, ...]:
    if depth >= 8:
        return ()
    return (
        f"with {_frames(depth)} only strong outliers can be told from chance; "
        "8 or more reject far better",
    )


def _frames(depth: int) -> str:
    return "1 frame" if depth == 1 else f"{depth} frames"
