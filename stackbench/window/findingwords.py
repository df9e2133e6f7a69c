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


def when_words(finding: Finding, *, of_all: bool, evening: str = "") -> str:
    """Say when something happened.

    Parameters
    ----------
    finding : Finding
        The finding.
    of_all : bool
        Whether it concerns all subs of its target.
    evening : str
        When its night began, where there are several.

    Returns
    -------
    str
        For example "22:51 to 23:10 UTC".
    """
    night = f"night of {evening}" if evening else ""
    if of_all:
        return "all along"
    if finding.start is None:
        return night
    hours = clock(finding.start)
    if finding.end is not None:
        hours += f" to {clock(finding.end)}"
    return ", ".join(filter(None, (night, f"{hours} UTC")))


def list_words(finding: Finding, *, of_all: bool, target: str = "", evening: str = "") -> str:
    """Write a finding for a list, on two lines.

    Parameters
    ----------
    finding : Finding
        The finding.
    of_all : bool
        Whether it concerns all subs of its target.
    target : str
        Its target, where the night has several.
    evening : str
        When its night began, where there are several.

    Returns
    -------
    str
        The title, and below it topic, confidence, subs, evening and target.
    """
    subs = "all subs" if of_all else counted(len(finding.subs), "sub")
    parts = (topic_words(finding), finding.confidence.value, subs, evening, target)
    return f"{finding.title}\n{', '.join(filter(None, parts))}"
