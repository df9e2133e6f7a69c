"""The model that every view reads: the night's subs, their verdicts, what is chosen."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import QObject, Signal

from stackbench.calibration.sets import evening
from stackbench.frames.groups import LightGroup
from stackbench.frames.records import Frame
from stackbench.job.judging import JudgedGroup, JudgedSub
from stackbench.job.sessionstate import Change, SessionState
from stackbench.review.limits import PlacedLimit
from stackbench.review.verdicts import By, Decision, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class SubRow:
    """One light as the views show it; `judged` is None before it is judged.

    `altitude_deg` is that of the telescope in the middle of the exposure.
    """

    frame: Frame
    lane: int
    judged: JudgedSub | None = None
    altitude_deg: float | None = None

    @property
    def path(self) -> Path:
        """The file.

        Returns
        -------
        Path
            Absolute.
        """
        return self.frame.path

    @property
    def verdict(self) -> Verdict | None:
        """The verdict.

        Returns
        -------
        Verdict or None
            None before it is judged.
        """
        return self.judged.verdict if self.judged is not None else None

    @property
    def rejected(self) -> bool:
        """Whether it stays out of the stack.

        Returns
        -------
        bool
            False while that is not known.
        """
        return self.verdict is not None and self.verdict.decision is Decision.REJECT

    @property
    def by_hand(self) -> bool:
        """Whether the person decided.

        Returns
        -------
        bool
            False for the rules' verdicts.
        """
        return self.verdict is not None and self.verdict.by is By.HAND

    @property
    def doubt(self) -> float:
        """How doubtful the verdict is.

        Returns
        -------
        float
            From 0, clear, to 1.
        """
        return self.verdict.doubt if self.verdict is not None else 0.0

    def value(self, measure: str) -> float | None:
        """Give one of its measures.

        Parameters
        ----------
        measure : str
            A field of `SubMeasures`, one of the frame's own facts, or the
            altitude.

        Returns
        -------
        float or None
            None when unknown.
        """
        if measure == "altitude_deg":
            value = self.altitude_deg
        elif hasattr(self.frame, measure):
            value = getattr(self.frame, measure)
        elif self.judged is not None:
            value = getattr(self.judged.measures, measure)
        else:
            value = None
        return None if value is None else float(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """All lights of one target, setup and filter; `limits` are empty before judging."""

    group: LightGroup
    judged: JudgedGroup | None = None

    @property
    def limits(self) -> tuple[PlacedLimit, ...]:
        """The limits of the group.

        Returns
        -------
        tuple of PlacedLimit
            Those its verdicts rest on.
        """
        return self.judged.limits if self.judged is not None else ()

    @property
    def filter_name(self) -> str:
        """The filter's name to show.

        Returns
        -------
        str
            A dash for none.
        """
        return self.group.filter or "–"


class NightModel(QObject):
    """What is known of the night, and what is chosen in it.

    `changed` tells of another state, `chosen_changed` of another selection,
    `current_changed` of another current sub, `trial_changed` of limits that
    are being tried out.

    Parameters
    ----------
    parent : QObject, optional
        What it belongs to.
    """

    changed = Signal()
    chosen_changed = Signal()
    current_changed = Signal()
    trial_changed = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.state = SessionState()
        self.lanes: tuple[Lane, ...] = ()
        self.rows: tuple[SubRow, ...] = ()
        self.chosen: frozenset[Path] = frozenset()
        self.current: Path | None = None
        self.trial_lanes: tuple[Lane, ...] = ()
        self.trial_changes: Mapping[Path, Change] = {}
        self._index: dict[Path, int] = {}
        self._values: dict[tuple[int, str], tuple[float, ...]] = {}
        self._several_evenings = False

    def show(self, state: SessionState) -> None:
        """Take on a new state of the session.

        Parameters
        ----------
        state : SessionState
            The state.
        """
        self.state = state
        self.trial_lanes, self.trial_changes = (), {}
        self.lanes = _lanes(state)
        self.rows = _rows(self.lanes, state.sky.altitudes_deg)
        self._values = {}
        self._several_evenings = len({evening(row.frame) for row in self.rows}) > 1
        self._index = {row.path: number for number, row in enumerate(self.rows)}
        self.chosen &= self._index.keys()
        if self.current not in self._index:
            self.current = None
        self.changed.emit()

    def row(self, path: Path | None) -> SubRow | None:
        """Find a sub.

        Parameters
        ----------
        path : Path or None
            Its file.

        Returns
        -------
        SubRow or None
            None for none.
        """
        index = self._index.get(path) if path is not None else None
        return None if index is None else self.rows[index]

    def evening_of(self, row: SubRow) -> str:
        """Tell on which evening the night of a sub began, where the subs are of several.

        Parameters
        ----------
        row : SubRow
            The sub.

        Returns
        -------
        str
            The date; empty where hours alone say it, and where its time is unknown.
        """
        began = evening(row.frame) if self._several_evenings else None
        return "" if began is None else began.isoformat()

    def choose(self, paths: Collection[Path]) -> None:
        """Choose subs, in place of those chosen before.

        Parameters
        ----------
        paths : collection of Path
            The subs.
        """
        chosen = frozenset(path for path in paths if path in self._index)
        if chosen != self.chosen:
            self.chosen = chosen
            self.chosen_changed.emit()

    def set_current(self, path: Path | None) -> None:
        """Make a sub the one that is looked at.

        Parameters
        ----------
        path : Path or None
            The sub.
        """
        if path != self.current and (path is None or path in self._index):
            self.current = path
            self.current_changed.emit()

    def targets(self) -> tuple[SubRow, ...]:
        """List the subs that a decision would be about.

        Returns
        -------
        tuple of SubRow
            The chosen ones; the current one if none is chosen.
        """
        if self.chosen:
            return tuple(row for row in self.rows if row.path in self.chosen)
        row = self.row(self.current)
        return () if row is None else (row,)

    def try_out(self, groups: tuple[JudgedGroup, ...], changes: tuple[Change, ...]) -> None:
        """Show what other limits would change.

        Parameters
        ----------
        groups : tuple of JudgedGroup
            As they would be judged; empty ends the trial.
        changes : tuple of Change
            The verdicts that would turn.
        """
        self.trial_lanes = tuple(Lane(group=one.group, judged=one) for one in groups)
        self.trial_changes = {change.path: change for change in changes}
        self.trial_changed.emit()

    def values(self, lane: int, measure: str) -> tuple[float, ...]:
        """List what is known of a measure in a lane.

        Parameters
        ----------
        lane : int
            The lane's number.
        measure : str
            See `SubRow.value`.

        Returns
        -------
        tuple of float
            In ascending order; unknown values are left out.
        """
        key = lane, measure
        if key not in self._values:
            all_values = (row.value(measure) for row in self.rows if row.lane == lane)
            self._values[key] = tuple(sorted(one for one in all_values if one is not None))
        return self._values[key]

    def best_of(self, lane: int) -> SubRow | None:
        """Find the sub that others of its filter are compared with.

        Parameters
        ----------
        lane : int
            The lane's number.

        Returns
        -------
        SubRow or None
            The reference of the group; None before it is judged.
        """
        judged = self.lanes[lane].judged
        if judged is None or judged.reference is None:
            return None
        return self.row(judged.reference.frame.path)

    def knows(self, measure: str) -> bool:
        """Tell whether a measure is known for any sub.

        Parameters
        ----------
        measure : str
            As for `SubRow.value`.

        Returns
        -------
        bool
            False also before the subs are measured.
        """
        return any(row.value(measure) is not None for row in self.rows)

    def several_targets(self) -> bool:
        """Tell whether lanes must be named by more than their filter.

        Returns
        -------
        bool
            True when a filter has more than one lane.
        """
        filters = [lane.group.filter for lane in self.lanes]
        return len(set(filters)) < len(filters)


def _lanes(state: SessionState) -> tuple[Lane, ...]:
    if state.groups:
        return tuple(Lane(group=one.group, judged=one) for one in state.groups)
    if state.overview is None:
        return ()
    return tuple(Lane(group=served.group) for served in state.overview.groups)


def _rows(lanes: tuple[Lane, ...], altitudes: Mapping[Path, float]) -> tuple[SubRow, ...]:
    """List the subs of all lanes in order of time; those without time come last."""
    rows: list[SubRow] = []
    for number, lane in enumerate(lanes):
        judged = {} if lane.judged is None else {sub.frame.path: sub for sub in lane.judged.subs}
        rows += [
            SubRow(
                frame=frame,
                lane=number,
                judged=judged.get(frame.path),
                altitude_deg=altitudes.get(frame.path),
            )
            for frame in lane.group.frames
        ]

    def moment(row: SubRow) -> tuple[bool, float, str]:
        time = row.frame.time
        return time is None, time.timestamp() if time is not None else 0.0, str(row.path)

    return tuple(sorted(rows, key=moment))
