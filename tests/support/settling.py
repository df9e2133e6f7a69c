"""Waiting for a window's decisions, which are carried out beside its event loop."""


def settle(qtbot, window):
    """Wait until all that was decided, or tried, is shown."""
    qtbot.waitUntil(lambda: not window.controller.changes.under_way, timeout=10_000)
