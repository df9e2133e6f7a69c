"""Why a sub was judged as it was: in words, and its measures against limits and the best."""

from PySide6.QtCore import QSize
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QVBoxLayout, QWidget

from stackbench.review.typical import BadSide
from stackbench.window.measures import MEASURES, measure_named
from stackbench.window.night import NightModel, SubRow
from stackbench.window.parts import card, emptied, label
from stackbench.window.subwords import limit_of, place_words, rank_words, state_words
from stackbench.window.valuestrip import ValueStrip

_RANK = "From lowest"
_HEADS = ("", "This sub", "Best", "Limit", _RANK, "Among the filter’s subs")
_SHOWN = MEASURES[:5]
_TOLD_ELSEWHERE = ("Best", _RANK)
_ROOM_FOR_ALL = 720


class ReasonsView(QWidget):
    """Shows one sub's verdict; sets nothing.

    Parameters
    ----------
    model : NightModel
        The night.
    """

    def __init__(self, model: NightModel) -> None:
        super().__init__()
        self._model = model
        frame, inside = card()
        columns = QHBoxLayout()
        columns.setSpacing(24)
        inside.addLayout(columns)
        self._words = QVBoxLayout()
        self._words.setSpacing(4)
        told = QWidget()
        told.setMinimumWidth(190)
        told.setLayout(self._words)
        self._words.setContentsMargins(0, 0, 0, 0)
        columns.addWidget(told, 4)
        self._grid = grid = QGridLayout()
        grid.setHorizontalSpacing(14)
        grid.setVerticalSpacing(2)
        columns.addLayout(grid, 5)
        self._cells = []
        heads = [label(words, "muted", wrap=False) for words in _HEADS]
        for column, head in enumerate(heads):
            grid.addWidget(head, 0, column)
        self._last_head = heads[-1]
        self._last_head.setToolTip("A stroke for each sub, a wedge at this one, a bar at the limit")
        self._strips = []
        self._spare = [heads[_HEADS.index(words)] for words in _TOLD_ELSEWHERE]
        for number, measure in enumerate(_SHOWN):
            grid.addWidget(label(measure.words, "muted", wrap=False), number + 1, 0)
            cells = [label("", wrap=False) for _ in _HEADS[1:-1]]
            strip = ValueStrip()
            for column, cell in enumerate([*cells, strip]):
                grid.addWidget(cell, number + 1, column + 1)
            self._cells.append(cells)
            self._strips.append(strip)
            self._spare += [cells[_HEADS.index(words) - 1] for words in _TOLD_ELSEWHERE]
        grid.setColumnStretch(len(_HEADS) - 1, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(frame)

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Ask for no room for what may be left out, so that a wide view can become narrow."""
        hint = super().minimumSizeHint()
        if not self._spare[0].isHidden():
            for words in _TOLD_ELSEWHERE:
                column = self._grid.cellRect(0, _HEADS.index(words))
                hint -= QSize(column.width() + self._grid.horizontalSpacing(), 0)
        return hint

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Leave out, where there is little room, what is told elsewhere too."""
        super().resizeEvent(event)
        roomy = self.width() >= _ROOM_FOR_ALL
        for widget in self._spare:
            widget.setVisible(roomy)
        self._last_head.setText(_HEADS[-1] if roomy else "Among others")

    def show_row(self, row: SubRow | None) -> None:
        """Show a sub's verdict.

        Parameters
        ----------
        row : SubRow or None
            The sub.
        """
        self.setVisible(row is not None)
        if row is None:
            return
        words = emptied(self._words)
        state = state_words(row)
        words.addWidget(label(f"{state[0].upper()}{state[1:]}", "heading"))
        verdict = row.verdict
        for reason in verdict.reasons if verdict is not None else ():
            measure = measure_named(reason.measure)
            rank = rank_words(row, measure, self._model)
            known = bool(rank) and measure.name == reason.measure
            place = f"; {rank} from the lowest" if known else ""
            words.addWidget(label(f"{reason.text[0].upper()}{reason.text[1:]}{place}."))
        if verdict is not None and not verdict.reasons:
            words.addWidget(label("It stays within all limits.", "muted"))
        if verdict is not None and verdict.reasons and row.by_hand:
            words.addWidget(label("These are the rules’ reasons; the hand decided.", "muted"))
        if verdict is not None and verdict.note:
            words.addWidget(label(f"{verdict.note[0].upper()}{verdict.note[1:]}.", "muted"))
        words.addStretch()
        best = self._model.best_of(row.lane)
        lane = self._model.lanes[row.lane]
        broken = {reason.measure for reason in verdict.reasons} if verdict is not None else set()
        for measure, cells, strip in zip(_SHOWN, self._cells, self._strips, strict=True):
            value, placed = row.value(measure.name), limit_of(lane, measure, row)
            limit = placed.limit if placed is not None else None
            beyond = " ✕" if measure.name in broken else ""
            texts = (
                measure.written(value) + beyond,
                measure.written(best.value(measure.name)) if best is not None else "–",
                measure.written(limit),
                rank_words(row, measure, self._model),
            )
            for cell, text in zip(cells, texts, strict=True):
                cell.setText(text)
            strip.show_values(
                self._model.values(row.lane, measure.name),
                own=value,
                limit=limit,
                bad_above=placed is None or placed.bad is BadSide.ABOVE,
                words=place_words(row, measure, self._model),
            )
