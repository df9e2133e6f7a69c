"""What a frame is told to be by hand, against or beside what its header says."""

from dataclasses import dataclass, replace

from stackbench.frames.filters import filter_name
from stackbench.frames.records import Frame, Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A frame's kind and filter as set by hand.

    What is None stays as the header states it; a `filter` that means none,
    such as "no filter", takes the header's away.
    """

    kind: Kind | None = None
    filter: str | None = None

    def over(self, earlier: "Label | None") -> "Label":
        """Lay this label over an earlier one.

        Parameters
        ----------
        earlier : Label or None
            What was set before.

        Returns
        -------
        Label
            What this one leaves open is as it was.
        """
        if earlier is None:
            return self
        return Label(
            kind=self.kind or earlier.kind,
            filter=earlier.filter if self.filter is None else self.filter,
        )


def labelled(frame: Frame, label: Label) -> Frame:
    """Give a frame the kind and the filter that were set by hand.

    Parameters
    ----------
    frame : Frame
        The frame as its header states it.
    label : Label
        What was set.

    Returns
    -------
    Frame
        The same frame otherwise.
    """
    return replace(
        frame,
        kind=label.kind or frame.kind,
        filter=frame.filter if label.filter is None else filter_name(label.filter),
    )


def label_words(stated: Frame, now: Frame) -> tuple[str, ...]:
    """Say what of a frame was set by hand.

    Parameters
    ----------
    stated : Frame
        The frame as its header states it.
    now : Frame
        The same frame with its label.

    Returns
    -------
    tuple of str
        For example "kind by hand: dark instead of light"; empty when the
        label says the same as the header.
    """
    words = []
    if now.kind is not stated.kind:
        words.append(f"kind by hand: {now.kind} instead of {stated.kind}")
    if now.filter != stated.filter:
        words.append(f"filter by hand: {now.filter or 'none'} instead of {stated.filter or 'none'}")
    return tuple(words)
