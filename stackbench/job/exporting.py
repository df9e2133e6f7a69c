"""The last step: cut the stacks of a target to one frame and hand them over."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.frames.names import setup_label
from stackbench.frames.records import Problem
from stackbench.frames.targets import target_key
from stackbench.job.bench import Bench
from stackbench.job.finding import Found
from stackbench.job.keys import file_mark, key_of
from stackbench.job.progress import Step
from stackbench.job.recipes import channel_names
from stackbench.job.stacking import BegunStack, FinishedStack


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFacts:
    """How a channel was cut from its stack and written.

    `crop` is first column, first row, columns, rows on the grid; black and
    white are those of the TIFF, ADU.
    """

    crop: tuple[int, int, int, int]
    black_adu: float
    white_adu: float
    has_wcs: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPaths:
    """The three files of a channel."""

    fits: Path
    tif: Path
    png: Path

    def all(self) -> tuple[Path, Path, Path]:
        """List the three.

        Returns
        -------
        tuple of Path
            FITS, TIFF and PNG.
        """
        return self.fits, self.tif, self.png


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedChannel:
    """A channel on disk, and the stack it was cut from."""

    stack: FinishedStack
    paths: ChannelPaths
    facts: ChannelFacts


_FACTS: TypeAdapter[list[ChannelFacts]] = TypeAdapter(list[ChannelFacts])
_PROBLEMS: TypeAdapter[list[Problem]] = TypeAdapter(list[Problem])


def export_channels(
    bench: Bench, found: Found, stacks: Sequence[BegunStack]
) -> tuple[tuple[FinishedChannel, ...], tuple[Problem, ...]]:
    """Export the channels of all targets.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    found : Found
        The job's checksums.
    stacks : sequence of BegunStack
        All stacks of the job; of the last the pixels serve before it is written.

    Returns
    -------
    tuple of FinishedChannel, and tuple of Problem
        One channel per stack, and targets whose channels share no part.
    """
    folder = bench.out / "channels"
    names = channel_names([stack.recipe.group for stack in stacks])
    fields: dict[tuple[str, str], list[tuple[BegunStack, ChannelPaths]]] = {}
    for stack, name in zip(stacks, names, strict=True):
        group = stack.recipe.group
        files = ChannelPaths(
            fits=folder / f"{name}.fits", tif=folder / f"{name}.tif", png=folder / f"{name}.png"
        )
        key = (target_key(group.target), setup_label(group.setup))
        fields.setdefault(key, []).append((stack, files))
    channels: list[FinishedChannel] = []
    problems: list[Problem] = []
    bench.progress.begin(Step.EXPORT, len(stacks))
    for members in fields.values():
        facts, found_out = _export_field(bench, found, members)
        problems += found_out
        channels += [
            FinishedChannel(stack=stack.finished(), paths=files, facts=one)
            for (stack, files), one in zip(members, facts, strict=True)
        ]
    bench.progress.end(Step.EXPORT)
    return tuple(channels), tuple(problems)


def _export_field(
    bench: Bench, found: Found, members: Sequence[tuple[BegunStack, ChannelPaths]]
) -> tuple[list[ChannelFacts], list[Problem]]:
    key = key_of(
        __version__,
        bench.settings.export,
        [(stack.recipe.key, asdict(files)) for stack, files in members],
    )
    paths = [path for _, files in members for path in files.all()]
    known = bench.store.recall("channels", key)
    if known is not None and known[0]["marks"] == _marks(paths):
        bench.progress.advance(Step.EXPORT, len(members))
        facts = _FACTS.validate_python(known[0]["facts"])
        return facts, _PROBLEMS.validate_python(known[0]["problems"])
    from stackbench.job.channelmaking import make_channels

    facts, problems = make_channels(bench, found, members)
    record = {
        "facts": _FACTS.dump_python(facts),
        "problems": _PROBLEMS.dump_python(problems, mode="json"),
        "marks": _marks(paths),
    }
    bench.store.keep("channels", key, record)
    return facts, problems


def _marks(paths: Sequence[Path]) -> list[list[int] | None]:
    return [file_mark(path) for path in paths]
