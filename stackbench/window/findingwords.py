"""A finding told in words: how sure it is, when it was, what it concerns."""

from stackbench.frames.words import counted
from stackbench.review.findings import Confidence, Finding
from stackbench.review.series import clock

_SURE = {
    Confidence.CERTAIN: "Certain: nothing else looks like it",
    Confidence.LIKELY: "Likely: another cause may look alike",
    Confidence.POSSIBLE: "Possible: few subs or weak signs, to be kept in mind",
}


def topic_words(finding: Finding) -> str:
    """Name what a finding is about.

    Parameters
    ----------
    finding : Finding
        The finding.

    Returns
    -------
    str
        For example "Polar alignment".
    """
    return finding.topic.value.capitalize()


def sure_words(finding: Finding) -> str:
    """Say how sure a finding is, and what that means.

    Parameters
    ----------
    finding : Finding
        The finding.

    Returns
    -------
    str
        Its confidence with a reason.
    """
    return _SURE[finding.confidence]


def when_words(finding: Finding, *, of_all: bool) -> str:
    """Say when something happened.

    Parameters
    ----------
    finding : Finding
        The finding.
    of_all : bool
        Whether it concerns all subs of its target.

    Returns
    -------
    str
        For example "22:51 to 23:10 UTC".
    """
    if of_all or finding.start is None:
        return "all along" if of_all else ""
    if finding.end is None:
        return f"{clock(finding.start)} UTC"
    return f"{clock(finding.start)} to {clock(finding.end)} UTC"


def list_words(finding: Finding, *, of_all: bool, target: str = "") -> str:
    """Write a finding for a list, on two lines.

    Parameters
    ----------
    finding : Finding
        The finding.
    of_all : bool
        Whether it concerns all subs of its target.
    target : str
        Its target, where the night has several.

    Returns
    -------
    str
        The title, and below it topic, confidence, subs and target.
    """
    subs = "all subs" if of_all else counted(len(finding.subs), "sub")
    parts = (topic_words(finding), finding.confidence.value, subs, target)
    return f"{finding.title}\n{', '.join(filter(None, parts))}"
