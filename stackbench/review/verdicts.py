"""Keep or reject, by rule or by hand, and why."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum


class Decision(StrEnum):
    """What becomes of a sub."""

    KEEP = "keep"
    REJECT = "reject"


class By(StrEnum):
    """Who decided."""

    RULE = "rule"
    HAND = "hand"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a rule rejects a sub: a measure, its value, the limit it breaks, in words.

    `value` and `limit` are None where the reason is not a number, such as a
    failed registration.
    """

    measure: str
    value: float | None = None
    limit: float | None = None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What becomes of one sub, and why.

    `reasons` are those of the rules, also where a hand decided otherwise.
    `doubt` runs from 0 (clear) to 1 (right at a limit). `note` says what the
    reader must know about how this was judged, or is empty.
    """

    decision: Decision
    by: By = By.RULE
    reasons: tuple[Reason, ...] = ()
    doubt: float = 0.0
    note: str = ""


def overrule(
    verdicts: Sequence[Verdict],
    *,
    keep: Collection[int] = (),
    reject: Collection[int] = (),
) -> tuple[Verdict, ...]:
    """Put decisions made by hand over those of the rules.

    Parameters
    ----------
    verdicts : sequence of Verdict
        Verdicts by rule.
    keep, reject : collection of int
        Indices of the subs that are kept or rejected by hand.

    Returns
    -------
    tuple of Verdict
        The same verdicts, those by hand replaced; the rules' reasons stay,
        the doubt is gone.

    Raises
    ------
    ValueError
        If a sub is both kept and rejected, or an index is out of range.
    """
    both = sorted(set(keep) & set(reject))
    if both:
        raise ValueError(f"sub {both[0]} is both kept and rejected by hand")
    strange = sorted(index for index in {*keep, *reject} if not 0 <= index < len(verdicts))
    if strange:
        raise ValueError(f"there is no sub {strange[0]} among {len(verdicts)}")
    by_hand = dict.fromkeys(keep, Decision.KEEP) | dict.fromkeys(reject, Decision.REJECT)
    return tuple(
        replace(verdict, decision=by_hand[index], by=By.HAND, doubt=0.0)
        if index in by_hand
        else verdict
        for index, verdict in enumerate(verdicts)
    )
