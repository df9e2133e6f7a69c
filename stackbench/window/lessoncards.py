"""What follows from a night, on cards: what to do next, and how it stands among others."""

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QGridLayout, QVBoxLayout

from stackbench.export.lessons import AdviceEntry, StandingEntry
from stackbench.job.sessionstate import SessionState
from stackbench.window.parts import card, label

_NOT_YET = "It is told when the channels are stacked."


def add_lessons(layout: QVBoxLayout, state: SessionState) -> None:
    """Add the cards for what is known.

    Parameters
    ----------
    layout : QVBoxLayout
        Where they are added.
    state : SessionState
        The night's state; its record, if there is one, says what follows.
    """
    advice = state.night.advice if state.night is not None else ()
    frame, inside = _card("What to do next")
    if state.stale and advice:
        inside.addWidget(
            label("As of the last stacking, without what was decided or set since.", "muted")
        )
    for entry in advice:
        _add_advice(inside, entry, named=len(advice) > 1)
    if not advice:
        words = _NOT_YET if state.night is None else "There is no stack to build on."
        inside.addWidget(label(words, "muted"))
    layout.addWidget(frame)
    standings = state.night.standings if state.night is not None else ()
    if standings:
        frame, inside = _card("Against earlier nights")
        _add_standings(inside, standings)
        layout.addWidget(frame)


def _card(words: str) -> tuple[QFrame, QVBoxLayout]:
    frame, inside = card()
    frame.setAccessibleName(words)
    inside.addWidget(label(words, "heading"))
    return frame, inside


def _add_advice(layout: QVBoxLayout, entry: AdviceEntry, *, named: bool) -> None:
    if named:
        layout.addWidget(label(" ".join(filter(None, (entry.target, entry.setup)))))
    _add_table(layout, [(one.filter or "–", _sentences(one.lines)) for one in entry.filters])
    if entry.lines:
        layout.addWidget(label(_sentences(entry.lines)))


def _add_standings(layout: QVBoxLayout, standings: tuple[StandingEntry, ...]) -> None:
    groups: dict[tuple[str, ...], list[str]] = {}
    several = len({one.target for one in standings}) > 1
    nights = len({one.night for one in standings}) > 1
    for one in standings:
        parts = (one.night if nights else "", one.target or "" if several else "")
        groups.setdefault((*filter(None, parts), one.filter or "–"), []).append(one.text)
    _add_table(layout, [(" ".join(key), _sentences(texts)) for key, texts in groups.items()])


def _sentences(lines: Sequence[str]) -> str:
    return "\n".join(f"{line[:1].upper()}{line[1:]}." for line in lines)


def _add_table(layout: QVBoxLayout, rows: list[tuple[str, str]]) -> None:
    grid = QGridLayout()
    grid.setHorizontalSpacing(18)
    grid.setVerticalSpacing(6)
    grid.setColumnStretch(1, 1)
    top = Qt.AlignmentFlag.AlignTop
    for number, (name, words) in enumerate(rows):
        grid.addWidget(label(name, "muted", wrap=False), number, 0, top)
        grid.addWidget(label(words), number, 1, top)
    layout.addLayout(grid)
