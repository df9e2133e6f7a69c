"""Start the window."""

import sys

from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication

from stackbench import __version__
from stackbench.window.appicon import app_icon
from stackbench.window.choices import Choices
from stackbench.window.look import dress, system_look
from stackbench.window.mainwindow import MainWindow


def run_window() -> int:
    """Open the window and stay until it is closed.

    Returns
    -------
    int
        The exit code.
    """
    app = QApplication(sys.argv[:1])
    app.setApplicationName("stackbench")
    app.setOrganizationName("stackbench")
    app.setApplicationVersion(__version__)
    app.setDesktopFileName("stackbench")
    app.setWindowIcon(app_icon())
    dress(app, system_look())
    app.styleHints().colorSchemeChanged.connect(lambda _: dress(app, system_look()))
    window = MainWindow(Choices(QSettings()))
    window.show()
    return app.exec()
