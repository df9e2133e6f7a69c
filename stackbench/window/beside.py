"""What opens beside the window: its dialogs, and folders and reports in the system's programs."""

from pathlib import Path

from PySide6.QtCore import QObject, Qt, QUrl, Signal, Slot
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QDialog, QMessageBox, QWidget

from stackbench.window.controller import Controller
from stackbench.window.help import show_text
from stackbench.window.settingsdialog import SettingsDialog


class Beside(QObject):
    """Opens things beside a window; `refused` says why something does not open.

    Parameters
    ----------
    window : QWidget
        The window.
    controller : Controller
        Knows the output folder.
    """

    refused = Signal(str)

    def __init__(self, window: QWidget, controller: Controller) -> None:
        super().__init__(window)
        self._window = window
        self._controller = controller

    @Slot()
    def open_folder(self) -> None:
        """Show the folder with the channels, or the output folder."""
        out = self._controller.out
        if out is not None:
            channels = out / "channels"
            self._open(channels if channels.is_dir() else out)

    @Slot()
    def open_report(self) -> None:
        """Show the report in the browser."""
        out = self._controller.out
        if out is not None and (out / "report.html").is_file():
            self._open(out / "report.html")

    @Slot()
    def show_settings(self) -> SettingsDialog:
        """Let the settings be changed, in the dialog that is open already if there is one.

        Returns
        -------
        SettingsDialog
            It does not hold the window up.
        """
        there = [
            one
            for one in self._window.findChildren(SettingsDialog)
            if one.isVisible() and one.is_for(self._controller.session)
        ]
        dialog = there[0] if there else SettingsDialog(self._controller, self._window)
        dialog.show()
        dialog.raise_()
        dialog.activateWindow()
        return dialog

    def show_page(self, title: str, markdown: str) -> QDialog:
        """Show a page of text.

        Parameters
        ----------
        title : str
            Its title.
        markdown : str
            The text.

        Returns
        -------
        QDialog
            It does not hold the window up.
        """
        dialog = show_text(self._window, title, markdown)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        return dialog

    def _open(self, path: Path) -> None:
        if not QDesktopServices.openUrl(QUrl.fromLocalFile(str(path))):
            self.refused.emit(f"The system would not open {path}.")


def ask_to_close(window: QWidget) -> bool:
    """Ask whether to close the window though work goes on.

    Parameters
    ----------
    window : QWidget
        The window.

    Returns
    -------
    bool
        Whether the work is to be stopped.
    """
    box = QMessageBox(window)
    box.setWindowTitle("stackbench")
    box.setText("The work is not done yet.")
    box.setInformativeText(
        "What is finished stays. When the night is opened again, the work goes on from there."
    )
    close = box.addButton("Stop and close", QMessageBox.ButtonRole.AcceptRole)
    box.addButton("Go on working", QMessageBox.ButtonRole.RejectRole)
    box.exec()
    return box.clickedButton() is close
