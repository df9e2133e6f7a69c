"""Start the window."""

import sys
from collections.abc import Callable
from functools import partial

from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication

from stackbench import __version__
from stackbench.window.appicon import app_icon
from stackbench.window.choices import Choices
from stackbench.window.dressing import dress
from stackbench.window.look import look_for
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
    follow_system(app)
    window = MainWindow(Choices(QSettings()))
    window.show()
    return app.exec()


def follow_system(app: QApplication) -> Callable[[], object]:
    """Be light or dark as the system is, now and when it changes.

    Parameters
    ----------
    app : QApplication
        The application.

    Returns
    -------
    callable
        Ends the following.
    """
    dress(app, look_for(app.styleHints().colorScheme()))
    changed = app.styleHints().colorSchemeChanged
    link = changed.connect(lambda scheme: dress(app, look_for(scheme)))
    return partial(changed.disconnect, link)
