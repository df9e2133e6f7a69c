"""One output folder opened to be looked at, decided on and worked on again.

The command line does a job and leaves; a window stays. A session keeps the
bench open meanwhile, so that no other job works in the same folder, and
hands out what is known as one frozen state.
"""

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Self

from stackbench.frames.work import Stop, never
from stackbench.job.bench import Bench, check_folders, open_bench
from stackbench.job.borrowing import keep_masters
from stackbench.job.history import History
from stackbench.job.judging import JudgedGroup
from stackbench.job.library import Library, LibraryError
from stackbench.job.looking import look_through
from stackbench.job.overview import Overview
from stackbench.job.pictures import PictureDesk
from stackbench.job.pixels import PixelDesk
from stackbench.job.productdesk import ProductDesk
from stackbench.job.progress import Progress
from stackbench.job.remembering import remembered_nights, with_made_settings
from stackbench.job.run import (
    MeasuredNight,
    finish_night,
    judge_night,
    measure_night,
)
from stackbench.job.sessionbook import SessionBook
from stackbench.job.sessionstate import Hear, SessionState, ignore
from stackbench.job.settings import BEFORE_JUDGING, Settings
from stackbench.job.shelf import Masters
from stackbench.job.skies import night_sky


class Session(SessionBook):
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
            bench = with_made_settings(bench)
            self._folders = tuple(folders) or remembered_nights(bench.store)
            check_folders(self._folders, out)
            undo.pop_all()
        super().__init__(bench, self._folders)
        self._desk = PixelDesk(bench.scratch)
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
                self._renew(replace(self._state, overview=overview, problems=overview.problems))
            hear(self.state)

        def _hear_masters(masters: Masters) -> None:
            with self._lock:
                self._renew(replace(self._state, masters=masters))
            hear(self.state)

        looked = look_through(bench, self._folders, listed=_listed)
        sky = night_sky(looked.found.as_read)
        with self._lock:
            self._look(looked, state=replace(self._state, sky=sky))
        hear(self.state)
        measured = measure_night(bench, self._desk, looked, hear=_hear_masters)
        self.pictures.use(measured)
        with self._lock:
            self._made = replace(self._made, measured=measured, measured_with=bench.settings)
            bench = self._working_bench(progress, stop)  # limits may have moved meanwhile
            judged = self._judge_first(bench, measured)
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
        measured = self._made.measured
        if measured is None:
            raise ValueError("there is nothing to stack before the subs are judged")
        if set(self.state.outdated) & set(BEFORE_JUDGING):
            return self.run(progress=progress, stop=stop, hear=hear)
        bench = self._working_bench(progress, stop)
        return self._finish(bench, measured, self.state.groups)

    def _judge_first(self, bench: Bench, measured: MeasuredNight) -> tuple[JudgedGroup, ...]:
        judged = judge_night(bench, measured)
        problems = (
            *self._state.problems,
            *measured.shelf.problems,
            *measured.measured.problems,
        )
        self._renew(
            replace(
                self._state,
                groups=judged,
                cameras=measured.cameras,
                shelf=measured.shelf,
                problems=tuple(dict.fromkeys(problems)),
            )
        )
        return judged

    def _finish(
        self, bench: Bench, measured: MeasuredNight, judged: Sequence[JudgedGroup]
    ) -> SessionState:
        self.products.use(measured, settings=bench.settings)
        outcome = finish_night(bench, self._desk, measured, judged)
        with self._lock:
            self._made = replace(self._made, exported_with=bench.settings)
            # decisions taken while this was stacked stay, and put stacks out of date
            self._renew(
                replace(
                    self._state,
                    stacks=outcome.stacks,
                    channels=outcome.channels,
                    problems=outcome.problems,
                    night=outcome.night,
                    replanned=False,
                )
            )
            return self._state

    def _working_bench(self, progress: Progress | None, stop: Stop) -> Bench:
        return replace(self._bench, progress=progress or Progress(), stop=stop)
