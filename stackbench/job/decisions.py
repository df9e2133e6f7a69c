"""Decisions by hand: which sub a name means, and remembering what was decided."""

from collections.abc import Collection
from pathlib import PurePath

from stackbench.frames.records import Frame, Kind
from stackbench.job.bench import Bench, WrongUseError
from stackbench.job.finding import Found
from stackbench.job.store import Decision


def take_decisions(
    bench: Bench,
    found: Found,
    *,
    keep: Collection[str] = (),
    reject: Collection[str] = (),
    release: Collection[str] = (),
) -> None:
    """Remember what the person decides about subs.

    Parameters
    ----------
    bench : Bench
        The job's bench; its store remembers.
    found : Found
        The job's frames and checksums.
    keep, reject : collection of str
        Names of subs to keep or to reject by hand: a file's name, or the end
        of its path where several files share a name.
    release : collection of str
        Names of subs to hand back to the rules.

    Raises
    ------
    WrongUseError
        If a name fits no sub or several, or is to be kept and rejected; then
        nothing is remembered.
    """
    decided: dict[str, tuple[Frame, Decision | None]] = {}
    for names, decision in ((keep, Decision.KEEP), (reject, Decision.REJECT), (release, None)):
        for name in names:
            sub = _sub_named(name, found)
            checksum = found.checksums[sub.path]
            if checksum in decided and decided[checksum][1] is not decision:
                raise WrongUseError(f"{name}: cannot be decided in two ways at once")
            decided[checksum] = (sub, decision)
    bench.store.decide(
        {checksum: decision for checksum, (_, decision) in decided.items()},
        names={checksum: sub.path.name for checksum, (sub, _) in decided.items()},
    )


def _sub_named(name: str, found: Found) -> Frame:
    parts = PurePath(name).parts
    fitting = [
        frame
        for frame in found.frames
        if frame.kind is Kind.LIGHT and parts and frame.path.parts[-len(parts) :] == parts
    ]
    if not fitting:
        raise WrongUseError(
            f"{name}: no light of this name is in the night; give the name of its file, "
            "or the end of its path"
        )
    if len(fitting) > 1:
        places = ", ".join(str(frame.path) for frame in fitting)
        raise WrongUseError(f"{name}: several subs have this name ({places}); add the folder")
    return fitting[0]
