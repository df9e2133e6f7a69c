"""What is known of a session, and what the person decides in it."""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from stackbench.frames.labels import Label
from stackbench.job.bench import Bench
from stackbench.job.judging import JudgedGroup, judge_again
from stackbench.job.looking import Looked, look_again
from stackbench.job.remembering import remember_settings
from stackbench.job.sessionstate import Change, SessionState, turned_verdicts
from stackbench.job.settings import Settings
from stackbench.job.staleness import Made, with_staleness
from stackbench.job.store import Decision
from stackbench.review.limits import Limits


class SessionBook:
    """The state of a session, and the settings, verdicts and labels in it.

    Answers at once, and may be asked by any thread while another one works.

    Parameters
    ----------
    bench : Bench
        The job's bench; its store remembers what is decided.
    folders : sequence of Path
        The nights' folders.
    """

    def __init__(self, bench: Bench, folders: Sequence[Path]) -> None:
        self._lock = threading.RLock()
        self._bench = bench
        self._looked: Looked | None = None
        self._made = Made(measured_with=bench.settings, exported_with=bench.settings)
        self._state = SessionState(folders=tuple(folders))

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
            self._judge()
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
            by_checksum = self._looked.found.by_checksum
            self._bench.store.decide(
                by_checksum(decisions), names=by_checksum({path: path.name for path in decisions})
            )
            self._judge()
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
            by_checksum = self._looked.found.by_checksum
            self._bench.store.label(
                by_checksum(labels), names=by_checksum({path: path.name for path in labels})
            )
            self._made = replace(self._made, measured=None)
            empty = SessionState(sky=self._state.sky, replanned=True)
            self._look(look_again(self._bench, self._looked), state=empty)
            return self._state

    def _look(self, looked: Looked, *, state: SessionState) -> None:
        """Take what lies in the nights' folders into a state, which holds from now on."""
        self._looked = looked
        self._renew(
            replace(
                state,
                folders=looked.folders,
                frames=looked.found.marked(),
                stated=looked.found.stated,
                overview=looked.overview,
                problems=looked.overview.problems,
            )
        )

    def _judge(self) -> None:
        groups = self._judged_by(self._state.groups, self.limits)
        self._renew(replace(self._state, groups=groups))

    def _judged_by(
        self, groups: tuple[JudgedGroup, ...], limits: Limits
    ) -> tuple[JudgedGroup, ...]:
        if self._looked is None:
            return groups
        found = self._looked.found
        return tuple(judge_again(self._bench, found, one, limits=limits) for one in groups)

    def _renew(self, state: SessionState) -> None:
        state = with_staleness(state, bench=self._bench, made=self._made)
        self._state = replace(state, version=self._state.version + 1)
