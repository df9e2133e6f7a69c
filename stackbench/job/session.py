"""One output folder opened to be looked at, decided on and worked on again.

The command line does a job and leaves; a window stays. A session keeps the
bench open meanwhile, so that no other job works in the same folder, and
hands out what is known as one frozen state.
"""

import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

from stackbench.export.night import Night
from stackbench.frames.records import Kind, Problem
from stackbench.frames.work import Stop, never
from stackbench.job.bench import Bench, check_folders, open_bench
from stackbench.job.exporting import FinishedChannel
from stackbench.job.judging import JudgedGroup, judge_again
from stackbench.job.mastering import Masters, MasterShelf
from stackbench.job.overview import Overview
from stackbench.job.pictures import PictureDesk
from stackbench.job.pixels import PixelDesk
from stackbench.job.productdesk import ProductDesk
from stackbench.job.progress import Progress
from stackbench.job.recipes import write_recipe
from stackbench.job.remembering import (
    remember_limits,
    remembered_limits,
    remembered_nights,
)
from stackbench.job.run import (
    Looked,
    MeasuredNight,
    finish_night,
    judge_night,
    look_through,
    measure_night,
)
from stackbench.job.settings import Settings
from stackbench.job.stacking import FinishedStack
from stackbench.job.store import Decision
from stackbench.review.limits import Limits
from stackbench.review.verdicts import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionState:
    """All that is known at one moment; what is not yet known is empty or None.

    `masters` are those on disk, one after the other while they are made, and
    `shelf` all of them. `groups` are the judged lights. `stale` are the indices of those groups
    whose stack does not show their verdicts: not stacked yet, or decided
    otherwise since. `night` is the record as last written.
    """

    folders: tuple[Path, ...] = ()
    overview: Overview | None = None
    masters: Masters = ()
    shelf: MasterShelf | None = None
    groups: tuple[JudgedGroup, ...] = ()
    stacks: tuple[FinishedStack, ...] = ()
    channels: tuple[FinishedChannel, ...] = ()
    problems: tuple[Problem, ...] = ()
    night: Night | None = None
    stale: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How other limits would change the verdict on one sub."""

    path: Path
    before: Verdict
    after: Verdict


Hear = Callable[[SessionState], None]


def _ignore(state: SessionState) -> None:
    """Hear nothing."""


class Session:
    """An output folder and the nights that go into it; a context manager.

    `run` and `restack` work, and belong into a thread of their own, one at a
    time. All else answers at once and may be asked meanwhile.

    Parameters
    ----------
    out : Path
        The output folder; made when it is not there.
    folders : sequence of Path
        The nights' folders; those of the last job if empty.
    settings : Settings, optional
        The settings of the job; limits that were set by hand in an earlier
        session take the place of theirs.
    threads : int, optional
        How many threads work; one per processor if None.

    Raises
    ------
    WrongUseError
        If the output folder cannot be written, another job works in it, or a
        night's folder is not there.
    StoreError
        If the folder's store cannot be read.
    """

    def __init__(
        self,
        out: Path,
        folders: Sequence[Path] = (),
        *,
        settings: Settings | None = None,
        threads: int | None = None,
    ) -> None:
        check_folders(folders, out)
        self._lock = threading.RLock()
        self._exit = ExitStack()
        settings = settings or Settings()
        bench = self._exit.enter_context(open_bench(out, settings=settings, threads=threads))
        with ExitStack() as undo:
            undo.callback(self._exit.close)
            limits = remembered_limits(bench.store) or settings.review
            self._bench = replace(bench, settings=_with_limits(settings, limits))
            self._folders = tuple(folders) or remembered_nights(bench.store)
            check_folders(self._folders, out)
            undo.pop_all()
        self._desk = PixelDesk(bench.scratch)
        self._looked: Looked | None = None
        self._measured: MeasuredNight | None = None
        self._state = SessionState(folders=self._folders)
        self.pictures = PictureDesk(self._bench, self._desk)
        self.products = ProductDesk(self._bench, self._desk)

    def __enter__(self) -> Self:
        """Return the session itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the session."""
        self.close()

    def close(self) -> None:
        """Leave the output folder to others; nothing may be under way."""
        self._exit.close()

    @property
    def out(self) -> Path:
        """The output folder, absolute.

        Returns
        -------
        Path
            Where everything is written.
        """
        return self._bench.out

    @property
    def limits(self) -> Limits:
        """The limits that verdicts rest on.

        Returns
        -------
        Limits
            Those of the settings, or as set by hand since.
        """
        return self._bench.settings.review

    @property
    def state(self) -> SessionState:
        """All that is known at this moment.

        Returns
        -------
        SessionState
            Frozen; a later state is another object.
        """
        with self._lock:
            return self._state

    def run(
        self, *, progress: Progress | None = None, stop: Stop = never, hear: Hear = _ignore
    ) -> SessionState:
        """Do all that is not done yet, from finding frames to the record.

        Parameters
        ----------
        progress : Progress, optional
            Who hears what is being done.
        stop : callable
            Asked between pieces of work; True ends it with Cancelled.
        hear : callable
            Called with the state when the headers are read, when the frames
            are found to be whole, whenever a master is made, and when the subs
            are judged; from any thread.

        Returns
        -------
        SessionState
            The state at the end.

        Raises
        ------
        Cancelled
            If `stop` answered True; what is finished stays.
        WriteError
            If a product cannot be written.
        """
        bench = self._working_bench(progress, stop)

        def _listed(overview: Overview) -> None:
            with self._lock:
                self._renew(overview=overview, problems=overview.problems)
            hear(self.state)

        looked = look_through(bench, self._folders, listed=_listed)
        with self._lock:
            self._looked = looked
            self._renew(
                folders=looked.folders,
                overview=looked.overview,
                problems=looked.overview.problems,
            )
        hear(self.state)

        def _hear_masters(masters: Masters) -> None:
            with self._lock:
                self._renew(masters=masters)
            hear(self.state)

        measured = measure_night(bench, self._desk, looked, hear=_hear_masters)
        self.pictures.use(measured)
        self.products.use(measured)
        with self._lock:
            self._measured = measured
            bench = self._working_bench(progress, stop)  # limits may have moved meanwhile
            judged = judge_night(bench, measured)
            problems = (
                *self._state.problems,
                *measured.shelf.problems,
                *measured.measured.problems,
            )
            self._renew(
                groups=judged, shelf=measured.shelf, problems=tuple(dict.fromkeys(problems))
            )
        hear(self.state)
        return self._finish(bench, measured, judged)

    def restack(
        self, *, progress: Progress | None = None, stop: Stop = never, hear: Hear = _ignore
    ) -> SessionState:
        """Stack again just the groups that are out of date, and export.

        Parameters
        ----------
        progress : Progress, optional
            Who hears what is being done.
        stop : callable
            Asked between pieces of work; True ends it with Cancelled.
        hear : callable
            Not called, since nothing is found out before the end.

        Returns
        -------
        SessionState
            The state at the end.

        Raises
        ------
        Cancelled
            If `stop` answered True; what is finished stays.
        WriteError
            If a product cannot be written.
        ValueError
            If nothing was judged yet.
        """
        del hear
        if self._measured is None:
            raise ValueError("there is nothing to stack before the subs are judged")
        bench = self._working_bench(progress, stop)
        return self._finish(bench, self._measured, self.state.groups)

    def what_if(self, limits: Limits) -> tuple[tuple[JudgedGroup, ...], tuple[Change, ...]]:
        """Tell what other limits would change; nothing is changed yet.

        Parameters
        ----------
        limits : Limits
            The limits to try.

        Returns
        -------
        tuple of JudgedGroup, and tuple of Change
            The groups as they would be judged, and the subs whose verdict
            would turn.
        """
        groups = self.state.groups
        tried = self._judged_by(groups, limits)
        pairs = (
            (old, new)
            for before, after in zip(groups, tried, strict=True)
            for old, new in zip(before.subs, after.subs, strict=True)
        )
        changes = tuple(
            Change(path=old.frame.path, before=old.verdict, after=new.verdict)
            for old, new in pairs
            if old.verdict.decision is not new.verdict.decision
        )
        return tried, changes

    def set_limits(self, limits: Limits) -> SessionState:
        """Judge by other limits from now on, and in later sessions.

        Parameters
        ----------
        limits : Limits
            The new limits.

        Returns
        -------
        SessionState
            With new verdicts, and the stacks they put out of date.
        """
        with self._lock:
            settings = _with_limits(self._bench.settings, limits)
            self._bench = replace(self._bench, settings=settings)
            remember_limits(self._bench.store, limits)
            self._renew(groups=self._judged_by(self._state.groups, limits))
            return self._state

    def decisions(self) -> dict[Path, Decision]:
        """Tell what was decided by hand.

        Returns
        -------
        dict of Path to Decision
            By the sub's path; subs left to the rules are not in it.
        """
        if self._looked is None:
            return {}
        known = self._bench.store.decisions()
        found = self._looked.found
        return {
            frame.path: known[found.checksums[frame.path]]
            for frame in found.frames
            if frame.kind is Kind.LIGHT and found.checksums[frame.path] in known
        }

    def decide(self, decisions: Mapping[Path, Decision | None]) -> SessionState:
        """Decide on subs by hand, or hand them back to the rules.

        Parameters
        ----------
        decisions : mapping of Path to Decision or None
            None hands a sub back to the rules.

        Returns
        -------
        SessionState
            With new verdicts, and the stacks they put out of date.

        Raises
        ------
        ValueError
            If the frames were not found yet.
        StoreError
            If the decisions cannot be written; then nothing is decided.
        """
        if self._looked is None:
            raise ValueError("there is nothing to decide before the frames are found")
        with self._lock:
            checksums = self._looked.found.checksums
            self._bench.store.decide(
                {checksums[path]: decision for path, decision in decisions.items()},
                names={checksums[path]: path.name for path in decisions},
            )
            self._renew(groups=self._judged_by(self._state.groups, self.limits))
            return self._state

    def _finish(
        self, bench: Bench, measured: MeasuredNight, judged: Sequence[JudgedGroup]
    ) -> SessionState:
        outcome = finish_night(bench, self._desk, measured, judged)
        with self._lock:
            # decisions taken while this was stacked stay, and put stacks out of date
            self._renew(
                stacks=outcome.stacks,
                channels=outcome.channels,
                problems=outcome.problems,
                night=outcome.night,
            )
            return self._state

    def _renew(self, **changes: object) -> None:
        state: SessionState = replace(self._state, **changes)  # type: ignore[arg-type]
        self._state = replace(state, stale=self._stale(state))

    def _stale(self, state: SessionState) -> tuple[int, ...]:
        """List the groups whose stack is not what their verdicts ask for."""
        if self._measured is None or state.overview is None:
            return ()
        stale = []
        for index, group in enumerate(state.groups):
            recipe, _ = write_recipe(self._bench, state.overview.plan, self._measured.shelf, group)
            wanted = None if recipe is None else recipe.key
            # to compare is quick, since groups share their frames; to hash them is not
            of_group = (one for one in state.stacks if one.recipe.group == group.group)
            made = next((stack.recipe.key for stack in of_group), None)
            if made != wanted:
                stale.append(index)
        return tuple(stale)

    def _judged_by(self, groups: Sequence[JudgedGroup], limits: Limits) -> tuple[JudgedGroup, ...]:
        if self._looked is None:
            return tuple(groups)
        found = self._looked.found
        return tuple(judge_again(self._bench, found, one, limits=limits) for one in groups)

    def _working_bench(self, progress: Progress | None, stop: Stop) -> Bench:
        return replace(self._bench, progress=progress or Progress(), stop=stop)


def _with_limits(settings: Settings, limits: Limits) -> Settings:
    return settings.model_copy(update={"review": limits})


def propose_output(folders: Sequence[Path]) -> Path:
    """Propose an output folder beside the first night.

    Parameters
    ----------
    folders : sequence of Path
        The nights' folders, at least one.

    Returns
    -------
    Path
        The night's folder's name with "-stacked" added; a folder "stacked"
        inside where the night is a whole disk.
    """
    first = folders[0].resolve()
    if not first.name:
        return first / "stacked"
    return first.with_name(f"{first.name}-stacked")
