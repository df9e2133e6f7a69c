"""The pages of the window, one for each step."""

from PySide6.QtCore import QSize
from PySide6.QtWidgets import QStackedWidget

from stackbench.window.channelspage import ChannelsPage
from stackbench.window.choices import Choices
from stackbench.window.controller import Controller
from stackbench.window.findingspage import FindingsPage
from stackbench.window.framespage import FramesPage
from stackbench.window.masterspage import MastersPage
from stackbench.window.reviewpage import ReviewPage
from stackbench.window.stackspage import StacksPage
from stackbench.window.startpage import StartPage
from stackbench.window.stepbar import CHANNELS, FINDINGS, FRAMES, MASTERS, NIGHT, REVIEW, STACKS
from stackbench.window.summarypage import SummaryPage


class Pages(QStackedWidget):
    """Holds all pages and shows one of them.

    Parameters
    ----------
    controller : Controller
        Owns the session of the night.
    choices : Choices
        What is remembered from day to day.
    """

    def __init__(self, controller: Controller, choices: Choices) -> None:
        super().__init__()
        model, findings = controller.model, controller.findings
        self.start = StartPage(choices)
        self.summary = SummaryPage(model, findings)
        self.frames = FramesPage(model)
        self.masters = MastersPage(controller)
        self.findings = FindingsPage(model, findings)
        self.review = ReviewPage(controller)
        self.stacks = StacksPage(controller)
        self.channels = ChannelsPage(controller)
        self._by_step = {
            NIGHT: self.summary,
            FRAMES: self.frames,
            MASTERS: self.masters,
            FINDINGS: self.findings,
            REVIEW: self.review,
            STACKS: self.stacks,
            CHANNELS: self.channels,
        }
        for page in (self.start, *self._by_step.values()):
            self.addWidget(page)
        self.currentChanged.connect(self.updateGeometry)

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Ask for the least room that the page in view needs; where there is less, it scrolls."""
        page = self.currentWidget()
        return page.minimumSizeHint() if page is not None else super().minimumSizeHint()

    def show_start(self) -> None:
        """Show where a night is begun."""
        self.setCurrentWidget(self.start)

    def show_step(self, step: str) -> None:
        """Show the page of a step of the night that is open.

        Parameters
        ----------
        step : str
            One of `STEPS`.
        """
        self.setCurrentWidget(self._by_step[step])
