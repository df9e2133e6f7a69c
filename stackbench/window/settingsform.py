"""The settings of one step as a form: editors, what they mean, and what is wrong."""

import math
from collections.abc import Mapping
from typing import Any

from PySide6.QtCore import QSignalBlocker, Qt, Signal, Slot
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QGridLayout,
    QLabel,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from stackbench.window.parts import label
from stackbench.window.settingwords import Form, Part, Setting

_NARROW = 110


class SettingsForm(QWidget):
    """Shows and reads the settings of one part; `edited` comes with every change.

    Parameters
    ----------
    part : Part
        What is shown.
    defaults : mapping of str to value
        What each setting is when the program comes.
    """

    edited = Signal()

    def __init__(self, part: Part, defaults: Mapping[str, Any]) -> None:
        super().__init__()
        self._part = part
        self._defaults = defaults
        self._editors: dict[str, QWidget] = {}
        self._defaults_told: dict[str, QLabel] = {}
        self._faults_told: dict[str, QLabel] = {}
        column = QVBoxLayout(self)
        column.setContentsMargins(16, 4, 16, 12)
        column.setSpacing(10)
        column.addWidget(label(part.title, "heading"))
        column.addWidget(label(part.about, "muted"))
        grid = QGridLayout()
        grid.setHorizontalSpacing(10)
        grid.setVerticalSpacing(3)
        grid.setColumnStretch(3, 1)
        for number, one in enumerate(part.settings):
            self._add(grid, 4 * number, one)
        column.addLayout(grid)
        column.addStretch()

    def show_values(self, values: Mapping[str, Any]) -> None:
        """Show values.

        Parameters
        ----------
        values : mapping of str to value
            By path.
        """
        for one in self._part.settings:
            editor, value = self._editors[one.path], values[one.path]
            with QSignalBlocker(editor):
                match editor:
                    case QCheckBox():
                        editor.setChecked(bool(value))
                    case QComboBox():
                        editor.setCurrentIndex(editor.findData(str(value)))
                    case QLineEdit():
                        editor.setText(_text(value))
            self._note(one)

    def values(self) -> dict[str, Any]:
        """Read what the form holds.

        Returns
        -------
        dict of str to value
            By path; text where it is no number, None where it is empty.
        """
        return {one.path: self._value(one) for one in self._part.settings}

    def show_faults(self, faults: Mapping[str, str]) -> None:
        """Say beside each setting what is wrong with it.

        Parameters
        ----------
        faults : mapping of str to str
            By path; those of other parts do not matter.
        """
        for one in self._part.settings:
            wrong = self._faults_told[one.path]
            words = faults.get(one.path, "")
            wrong.setText(f"✕ {one.words}: {words}." if words else "")
            wrong.setVisible(bool(words))

    def focus_on(self, path: str) -> None:
        """Go to the editor of a setting.

        Parameters
        ----------
        path : str
            The setting.
        """
        self._editors[path].setFocus(Qt.FocusReason.OtherFocusReason)

    def editor(self, path: str) -> QWidget:
        """Give what a setting is edited with.

        Parameters
        ----------
        path : str
            The setting.

        Returns
        -------
        QWidget
            A QLineEdit, QComboBox or QCheckBox.
        """
        return self._editors[path]

    def _add(self, grid: QGridLayout, row: int, one: Setting) -> None:
        editor = self._make(one)
        self._editors[one.path] = editor
        editor.setAccessibleName(f"{one.words} {one.unit}".strip())
        editor.setAccessibleDescription(one.help)
        default = self._words_of(one, self._defaults[one.path])
        editor.setToolTip(f"{one.words}; by default {default}")
        if isinstance(editor, QCheckBox):
            grid.addWidget(editor, row, 0, 1, 3)
        else:
            name = label(one.words)
            name.setBuddy(editor)
            name.setMinimumWidth(260)
            grid.addWidget(name, row, 0)
            wide = isinstance(editor, QComboBox)
            grid.addWidget(editor, row, 1, 1, 3 if wide else 1)
            if not wide:
                grid.addWidget(label(one.unit, "muted", wrap=False), row, 2)
        shown = label("", "muted", wrap=False)
        self._defaults_told[one.path] = shown
        if isinstance(editor, QComboBox):  # its words are long: below it
            grid.addWidget(shown, row + 1, 1, 1, 3)
        else:
            grid.addWidget(shown, row, 3)
        wrong = label("", "warn")
        wrong.hide()
        self._faults_told[one.path] = wrong
        grid.addWidget(wrong, row + 2, 0, 1, 4)
        words = label(one.help, "muted")
        words.setContentsMargins(0, 0, 0, 8)
        words.setVisible(bool(one.help))
        grid.addWidget(words, row + 3, 0, 1, 4)

    def _make(self, one: Setting) -> QWidget:
        if one.form is Form.SWITCH:
            switch = QCheckBox(one.words)
            switch.toggled.connect(self._edited)
            return switch
        if one.form is Form.CHOICE:
            choice = QComboBox()
            for value, words in one.choices:
                choice.addItem(words, value)
            choice.currentIndexChanged.connect(self._edited)
            return choice
        line = QLineEdit()
        line.setFixedWidth(_NARROW)
        line.setPlaceholderText("none" if one.optional else "")
        line.textEdited.connect(self._edited)
        return line

    def _value(self, one: Setting) -> Any:
        match self._editors[one.path]:
            case QCheckBox() as switch:
                return switch.isChecked()
            case QComboBox() as choice:
                return choice.currentData()
            case QLineEdit() as line:
                return _number(line.text(), whole=one.form is Form.COUNT)
            case other:
                raise TypeError(f"{one.path} is edited with {type(other).__name__}")

    def _note(self, one: Setting) -> None:
        """Tell the default, and whether the setting is another."""
        default = self._words_of(one, self._defaults[one.path])
        changed = self._value(one) != self._defaults[one.path]
        words = f"changed; by default {default}" if changed else f"default {default}"
        self._defaults_told[one.path].setText(words)

    @Slot()
    def _edited(self) -> None:
        for one in self._part.settings:
            self._note(one)
        self.edited.emit()

    def _words_of(self, one: Setting, value: Any) -> str:
        if one.form is Form.SWITCH:
            return "yes" if value else "no"
        if one.form is Form.CHOICE:
            return dict(one.choices)[str(value)].partition(":")[0]
        return _text(value) or "none"


def _text(value: Any) -> str:
    if value is None:
        return ""
    # read back it must be the same number, or saving would change what nobody touched
    return str(value).removesuffix(".0")


def _number(text: str, *, whole: bool) -> float | int | str | None:
    """Read a number, with a decimal point or comma; what is none stays text."""
    text = text.strip()
    if not text:
        return None
    try:
        value = float(text.replace(",", ".").replace("−", "-"))
    except ValueError:
        return text
    if not math.isfinite(value):
        return text
    if not whole:
        return value
    return int(value) if value.is_integer() else text
