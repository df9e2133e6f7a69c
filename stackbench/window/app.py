"""Start the window."""

import sys
from collections.abc import Callable
from functools import partial

from PySide6.QtCore import QSettings, QTimer
from PySide6.QtWidgets import QApplication

from stackbench import __version__
from stackbench.job.compiling import compiled_meanwhile
from stackbench.job.warming import warm_up
from stackbench.window.appicon import app_icon
from stackbench.window.choices import Choices
from stackbench.window.dressing import dress
from stackbench.window.look import look_for
from stackbench.window.mainwindow import MainWindow

_SHOWN_MS = 200


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
    # loading a library may hold up the window for a tenth of a second and more: better now,
    # while a folder is looked for, than when a job needs it
    QTimer.singleShot(_SHOWN_MS, warm_up)
    with compiled_meanwhile():
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
