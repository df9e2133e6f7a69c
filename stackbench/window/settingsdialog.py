"""The settings: of the night that is open, of new nights, and of the program."""

from functools import partial
from typing import Any

from PySide6.QtCore import QSignalBlocker, Qt, Slot
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QHBoxLayout,
    QListWidget,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from stackbench.job.session import Session
from stackbench.job.settings import Settings, changed_parts, settings_of
from stackbench.window.controller import Controller
from stackbench.window.parts import button, label, scrolled
from stackbench.window.programform import ProgramForm
from stackbench.window.settingsform import SettingsForm
from stackbench.window.settingvalues import faults_of, nested, values_of
from stackbench.window.settingwords import PARTS

_THIS, _NEW = "this night", "new nights"


class SettingsDialog(QDialog):
    """Lets settings be read and changed; it does not hold the window up.

    Parameters
    ----------
    controller : Controller
        Takes the settings of the night that is open, and knows the choices.
    parent : QWidget
        Whose window it is.
    """

    def __init__(self, controller: Controller, parent: QWidget) -> None:
        super().__init__(parent)
        self._controller = controller
        self._choices = controller.choices
        self._session = controller.session
        self._defaults = values_of(Settings())
        self._drafts: dict[str, dict[str, Any]] = {_NEW: values_of(self._choices.settings())}
        if self._session is not None:
            self._drafts[_THIS] = values_of(self._session.settings)
        self._opening = {scope: dict(draft) for scope, draft in self._drafts.items()}
        self.setWindowTitle("Settings")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.resize(820, 660)
        self.scope = QComboBox()
        self.scope.setAccessibleName("What the settings are for")
        self.scope.setToolTip("Whether the night that is open is set, or the start of new ones")
        if self._session is not None:
            self.scope.addItem(f"this night, {self._session.out.name}", _THIS)
        self.scope.addItem("new nights", _NEW)
        self._scope = self.scope.currentData()
        self.parts = QListWidget()
        self.parts.setAccessibleName("Parts of the settings")
        self.parts.setToolTip("The steps of the work (↑ ↓)")
        self.parts.setFixedWidth(150)
        self.forms = [SettingsForm(part, self._defaults) for part in PARTS]
        self.program = ProgramForm()
        self.program.show_choices(self._choices.threads(), self._choices.output_place())
        self.pages = QStackedWidget()
        for words, form in zip(
            [*(part.title for part in PARTS), "Program"], [*self.forms, self.program], strict=True
        ):
            self.parts.addItem(words)
            self.pages.addWidget(scrolled(form))
        self.words = label("", "warn")
        self.words.setAccessibleDescription("What is wrong")
        self.reset = button("Defaults", "Set this part as the program comes with it")
        self.save = button("Save", "Keep the settings (Return)", main=True)
        self.leave = button("Cancel", "Leave the settings as they are (Escape)")
        self._lay_out()
        self._connect()
        self.parts.setCurrentRow(0)
        self._show_draft()

    def _lay_out(self) -> None:
        head = QHBoxLayout()
        head.addWidget(label("Settings of", "muted", wrap=False))
        head.addWidget(self.scope)
        head.addStretch()
        middle = QHBoxLayout()
        middle.setSpacing(6)
        middle.addWidget(self.parts)
        middle.addWidget(self.pages, 1)
        foot = QHBoxLayout()
        foot.addWidget(self.reset)
        foot.addStretch()
        foot.addWidget(self.leave)
        foot.addWidget(self.save)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(16, 14, 16, 14)
        whole.setSpacing(12)
        whole.addLayout(head)
        whole.addLayout(middle, 1)
        whole.addWidget(self.words)
        whole.addLayout(foot)

    def _connect(self) -> None:
        self.scope.currentIndexChanged.connect(self._change_scope)
        self.parts.currentRowChanged.connect(self._turn_to)
        for form in self.forms:
            form.edited.connect(self._edited)
        self.program.edited.connect(self._edited)
        self.reset.clicked.connect(self._reset)
        self.leave.clicked.connect(self.reject)
        self.save.clicked.connect(self._save)
        self.save.setDefault(True)

    def _show_draft(self) -> None:
        for form in self.forms:
            form.show_values(self._drafts[self._scope])
        self._edited()

    def _faults(self, scope: str) -> dict[str, str]:
        # what was decided meanwhile holds, but what is shown must be right in itself as well
        return faults_of(self._drafts[scope]) or faults_of(
            values_of(self._now(scope)) | self._edits(scope)
        )

    def _now(self, scope: str) -> Settings:
        """Tell the settings as they are now; beside an open dialog decisions are taken."""
        if scope == _NEW:
            return self._choices.settings()
        session = self._same_night() or self._session
        return session.settings if session is not None else Settings()

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802 - Qt's name
        """Lay the list of parts out by the style, which comes when it is shown."""
        super().showEvent(event)
        self.parts.doItemsLayout()

    def is_for(self, session: Session | None) -> bool:
        """Tell whether the dialog was opened for what is open now.

        Parameters
        ----------
        session : Session or None
            The session that is open.

        Returns
        -------
        bool
            Also where a night was closed and opened again.
        """
        if session is None or self._session is None:
            return session is self._session
        return session.out == self._session.out

    def _same_night(self) -> Session | None:
        """Give the session of the night that the dialog was opened for, if it is open."""
        here = self._controller.session
        return here if self.is_for(here) else None

    def _edits(self, scope: str) -> dict[str, Any]:
        """Tell what the person made other than it was at opening."""
        opening = self._opening[scope]
        return {p: value for p, value in self._drafts[scope].items() if value != opening[p]}

    @Slot()
    def _change_scope(self) -> None:
        self._scope = self.scope.currentData()
        self._show_draft()

    @Slot(int)
    def _turn_to(self, row: int) -> None:
        self.pages.setCurrentIndex(row)
        # what holds for the program holds for all nights
        program = row == len(self.forms)
        self.scope.setEnabled(not program and self.scope.count() > 1)

    @Slot()
    def _edited(self) -> None:
        draft = self._drafts[self._scope]
        for form in self.forms:
            draft.update(form.values())
        faults = self._faults(self._scope)
        for form in self.forms:
            form.show_faults(faults)
        self.words.setText(self._told())

    def _told(self) -> str:
        """Say what saving would put out of date."""
        if self._session is None or self._faults(_THIS):
            return ""
        now = self._now(_THIS)
        changed = changed_parts(now, _edited(now, self._edits(_THIS)))
        titles = [part.title for part in PARTS if part.name in changed]
        if not titles or self._session.state.night is None:
            return ""
        return f"This night is brought up to date by “Stack again”: {', '.join(titles)} changed."

    @Slot()
    def _reset(self) -> None:
        row = self.pages.currentIndex()
        if row == len(self.forms):
            self.program.show_choices(None, None)
        else:
            part = PARTS[row]
            values = {one.path: self._defaults[one.path] for one in part.settings}
            self._drafts[self._scope].update(values)
            self.forms[row].show_values(values)
        self._edited()

    @Slot()
    def _save(self) -> None:
        for scope in self._drafts:
            faults = self._faults(scope)
            if faults:
                self._go_to(scope, next(iter(faults)))
                self.words.setText("Some values cannot be; they are marked with ✕.")
                return
        if fault := self.program.fault():
            self.parts.setCurrentRow(len(self.forms))
            self.words.setText(fault)
            return
        edits = self._edits(_THIS) if self._session is not None else {}
        if edits and self._same_night() is None:
            self.words.setText(
                "The night is not open any more. Open it again to save what was changed for it,"
                " or cancel."
            )
            return
        self._choices.keep_settings(_edited(self._choices.settings(), self._edits(_NEW)))
        self._choices.keep_threads(self.program.chosen_threads())
        self._choices.keep_output_place(self.program.chosen_place())
        if edits:
            self._controller.edit_settings(partial(_edited, edits=edits))
        self.accept()

    def _go_to(self, scope: str, path: str) -> None:
        """Show the setting that is at fault."""
        with QSignalBlocker(self.scope):
            self.scope.setCurrentIndex(self.scope.findData(scope))
        self._change_scope()
        row = [part.name for part in PARTS].index(path.split(".")[0])
        self.parts.setCurrentRow(row)
        self.forms[row].focus_on(path)


def _edited(settings: Settings, edits: dict[str, Any]) -> Settings:
    """Put what a person edited over settings, whatever else has changed in them."""
    return settings_of(nested(values_of(settings) | edits))
