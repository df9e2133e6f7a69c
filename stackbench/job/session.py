"""One output folder opened to be looked at, decided on and worked on again.

The command line does a job and leaves; a window stays. A session keeps the
bench open meanwhile, so that no other job works in the same folder, and
hands out what is known as one frozen state.
"""

import threading
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Self

from stackbench.frames.labels import Label
from stackbench.frames.work import Stop, never
from stackbench.job.bench import Bench, check_folders, open_bench
from stackbench.job.borrowing import keep_masters
from stackbench.job.history import History
from stackbench.job.judging import JudgedGroup, judge_again
from stackbench.job.library import Library, LibraryError
from stackbench.job.mastering import Masters
from stackbench.job.overview import Overview
from stackbench.job.pictures import PictureDesk
from stackbench.job.pixels import PixelDesk
from stackbench.job.productdesk import ProductDesk
from stackbench.job.progress import Progress
from stackbench.job.remembering import (
    remember_settings,
    remembered_nights,
    with_made_settings,
)
from stackbench.job.run import (
    Looked,
    MeasuredNight,
    finish_night,
    judge_night,
    look_again,
    look_through,
    measure_night,
)
from stackbench.job.sessionstate import Change, Hear, SessionState, ignore, turned_verdicts
from stackbench.job.settings import BEFORE_JUDGING, Settings, changed_parts
from stackbench.job.skies import night_sky
from stackbench.job.stacking import outdated
from stackbench.job.store import Decision
from stackbench.review.limits import Limits


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
        The settings of the job; those that were made for this output folder in
        an earlier session take the place of what is left at its default.
    threads : int, optional
        How many threads work; one per processor if None.
    library : Library, optional
        The person's master library; none is used if left out.
    history : History, optional
        Where the night is kept for comparison; nowhere if left out.

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
        library: Library | None = None,
        history: History | None = None,
    ) -> None:
        check_folders(folders, out)
        self._lock = threading.RLock()
        self._exit = ExitStack()
        bench = self._exit.enter_context(
            open_bench(
                out,
                settings=settings or Settings(),
                threads=threads,
                library=library,
                history=history,
            )
        )
        with ExitStack() as undo:
            undo.callback(self._exit.close)
            self._bench = with_made_settings(bench)
            self._folders = tuple(folders) or remembered_nights(bench.store)
            check_folders(self._folders, out)
            undo.pop_all()
        self._desk = PixelDesk(bench.scratch)
        self._looked: Looked | None = None
        self._measured: MeasuredNight | None = None
        self._measured_with = self._exported_with = self._bench.settings
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

    def keep_masters(self) -> tuple[int, int]:
        """Add the masters to the person's library; takes as long as copying them.

        Returns
        -------
        added : int
            How many are new there.
        known : int
            How many were there already.

        Raises
        ------
        LibraryError
            If the library cannot be written, or none is used.
        WriteError
            If a file cannot be written.
        """
        library = self._bench.library
        if library is None:
            raise LibraryError("no master library is used here")
        added, known = keep_masters(library, self._bench.store, self._bench.out)
        return len(added), known

    @property
    def settings(self) -> Settings:
        """The settings as they are by now.

        Returns
        -------
        Settings
            Those of this output folder.
        """
        return self._bench.settings

    @property
    def limits(self) -> Limits:
        """The limits that verdicts rest on.

        Returns
        -------
        Limits
            Part of the settings.
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
        self, *, progress: Progress | None = None, stop: Stop = never, hear: Hear = ignore
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
        sky = night_sky(looked.found.as_read)
        with self._lock:
            self._look(looked)
            self._renew(sky=sky)
        hear(self.state)

        def _hear_masters(masters: Masters) -> None:
            with self._lock:
                self._renew(masters=masters)
            hear(self.state)

        measured = measure_night(bench, self._desk, looked, hear=_hear_masters)
        self.pictures.use(measured)
        with self._lock:
            self._measured, self._measured_with = measured, bench.settings
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
        self, *, progress: Progress | None = None, stop: Stop = never, hear: Hear = ignore
    ) -> SessionState:
        """Do again just what is out of date, and export.

        Parameters
        ----------
        progress : Progress, optional
            Who hears what is being done.
        stop : callable
            Asked between pieces of work; True ends it with Cancelled.
        hear : callable
            As for `run`; not called where only stacks and channels are out of
            date, since nothing is found out before the end.

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
        if self._measured is None:
            raise ValueError("there is nothing to stack before the subs are judged")
        if set(self.state.outdated) & set(BEFORE_JUDGING):
            return self.run(progress=progress, stop=stop, hear=hear)
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
        return tried, turned_verdicts(groups, tried)

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
        return self.set_settings(self.settings.model_copy(update={"review": limits}))

    def set_settings(self, settings: Settings) -> SessionState:
        """Work by other settings from now on, and in later sessions.

        Parameters
        ----------
        settings : Settings
            The new settings.

        Returns
        -------
        SessionState
            With new verdicts, and what the settings put out of date.

        Raises
        ------
        StoreError
            If they cannot be written; then nothing is changed.
        """
        with self._lock:
            remember_settings(self._bench.store, settings)
            self._bench = replace(self._bench, settings=settings)
            self._renew(groups=self._judged_by(self._state.groups, settings.review))
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
        return self._looked.found.by_path(self._bench.store.decisions())

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

    def labels(self) -> dict[Path, Label]:
        """Tell which kinds and filters were set by hand.

        Returns
        -------
        dict of Path to Label
            By the frame's path; frames left to their headers are not in it.
        """
        if self._looked is None:
            return {}
        return self._looked.found.by_path(self._bench.store.labels())

    def label(self, labels: Mapping[Path, Label | None]) -> SessionState:
        """Set kinds and filters by hand and plan anew; not while `run` works.

        Parameters
        ----------
        labels : mapping of Path to Label or None
            None leaves a frame to its header again.

        Returns
        -------
        SessionState
            The new plan; nothing is made or judged by it before the next `run`.

        Raises
        ------
        ValueError
            If the frames were not found yet.
        StoreError
            If the labels cannot be written; then nothing is set.
        """
        if self._looked is None:
            raise ValueError("there is nothing to set before the frames are found")
        with self._lock:
            checksums = self._looked.found.checksums
            self._bench.store.label(
                {checksums[path]: label for path, label in labels.items()},
                names={checksums[path]: path.name for path in labels},
            )
            self._measured = None
            self._renew(masters=(), shelf=None, groups=(), stacks=(), channels=(), night=None)
            self._look(look_again(self._bench, self._looked))
            self._renew(replanned=True)
            return self._state

    def _finish(
        self, bench: Bench, measured: MeasuredNight, judged: Sequence[JudgedGroup]
    ) -> SessionState:
        self.products.use(measured, settings=bench.settings)
        outcome = finish_night(bench, self._desk, measured, judged)
        with self._lock:
            self._exported_with = bench.settings
            # decisions taken while this was stacked stay, and put stacks out of date
            self._renew(
                stacks=outcome.stacks,
                channels=outcome.channels,
                problems=outcome.problems,
                night=outcome.night,
                replanned=False,
            )
            return self._state

    def _look(self, looked: Looked) -> None:
        self._looked = looked
        self._renew(
            folders=looked.folders,
            frames=looked.found.marked(),
            stated=looked.found.stated,
            overview=looked.overview,
            problems=looked.overview.problems,
        )

    def _renew(self, **changes: object) -> None:
        state: SessionState = replace(self._state, **changes)  # type: ignore[arg-type]
        parts = self._outdated_parts(state)
        stale: tuple[int, ...] = ()
        if set(parts) & set(BEFORE_JUDGING):
            stale = tuple(range(len(state.groups)))
        elif self._measured is not None and state.overview is not None:
            plan, shelf = state.overview.plan, self._measured.shelf
            stale = outdated(self._bench, plan, shelf, state.groups, state.stacks)
        self._state = replace(state, stale=stale, outdated=parts)

    def _outdated_parts(self, state: SessionState) -> tuple[str, ...]:
        """Name the parts of the settings that what was made does not follow."""
        since_measured = changed_parts(self._measured_with, self.settings)
        since_exported = changed_parts(self._exported_with, self.settings)
        return tuple(
            name
            for name in Settings.model_fields
            if (name in BEFORE_JUDGING and name in since_measured and self._measured is not None)
            or (name == "export" and name in since_exported and bool(state.channels))
        )

    def _judged_by(self, groups: Sequence[JudgedGroup], limits: Limits) -> tuple[JudgedGroup, ...]:
        if self._looked is None:
            return tuple(groups)
        found = self._looked.found
        return tuple(judge_again(self._bench, found, one, limits=limits) for one in groups)

    def _working_bench(self, progress: Progress | None, stop: Stop) -> Bench:
        return replace(self._bench, progress=progress or Progress(), stop=stop)
