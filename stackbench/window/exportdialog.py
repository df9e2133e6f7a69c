"""Choosing formats, channels and a folder, with the files named beforehand."""

from collections.abc import Sequence, Set
from pathlib import Path

from PySide6.QtCore import QSignalBlocker, Qt, QUrl, Slot
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDialog,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from stackbench.export.tiffdepth import TiffDepth
from stackbench.frames.words import counted
from stackbench.frames.work import Stop
from stackbench.job.exporting import FinishedChannel
from stackbench.job.handover import Copy, Existing, Format, copy_files, plan_copies
from stackbench.job.progress import Progress, Step
from stackbench.window.controller import Controller
from stackbench.window.parts import button, label
from stackbench.window.places import short, spelled_out

_FORMATS = {
    Format.FITS: "FITS: linear, ADU, to go on with",
    Format.TIFF: "TIFF: one scale for all channels of a target",
    Format.PNG: "PNG: stretched and small, to look at",
}
_DEPTHS = {
    TiffDepth.UINT16: "16-bit whole numbers",
    TiffDepth.FLOAT32: "32-bit floating point",
}
_EXISTING = {
    Existing.KEEP: "stay as they are",
    Existing.REPLACE: "are replaced",
    Existing.NUMBER: "stay; a number is added to the new name",
}


class ExportDialog(QDialog):
    """Copies chosen files of chosen channels to a folder; holds nothing up.

    Parameters
    ----------
    controller : Controller
        Owns the session of the night.
    parent : QWidget, optional
        What it belongs to.
    """

    def __init__(self, controller: Controller, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._controller = controller
        self._choices = controller.choices
        self._key: tuple[str, object] | None = None
        self._listed: tuple[FinishedChannel, ...] = ()
        self.copies: tuple[Copy, ...] = ()
        self._writing: tuple[Copy, ...] = ()
        self._written: frozenset[Path] = frozenset()
        self.setWindowTitle("Export channels")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.resize(620, 560)
        self.channels = QListWidget()
        self.channels.setAccessibleName("Channels to export")
        self.channels.setToolTip("Which channels are handed over (Space)")
        self.formats = {one: QCheckBox(words) for one, words in _FORMATS.items()}
        for box in self.formats.values():
            box.setToolTip("Whether this format is written (Space)")
        self.tiff_depth = QComboBox()
        self.tiff_depth.setAccessibleName("Pixels of TIFF files")
        self.tiff_depth.setToolTip(
            "How TIFF files store a pixel; floating point keeps every digit at twice the size"
        )
        for depth, words in _DEPTHS.items():
            self.tiff_depth.addItem(words, depth)
        self.folder = QLineEdit()
        self.folder.setAccessibleName("Folder")
        self.folder.setToolTip("Where the files go")
        self.choose = button("Choose…", "Choose the folder")
        self.existing = QComboBox()
        self.existing.setAccessibleName("What becomes of files that are there already")
        self.existing.setToolTip("Whether files of the same name are replaced")
        self.existing.addItems(list(_EXISTING.values()))
        self.files = QListWidget()
        self.files.setAccessibleName("Files that will be written")
        self.files.setToolTip("What will lie in the folder")
        self.words = label("", "muted")
        self.export = button("Export", "Write the files named above", main=True)
        self.export.setDefault(True)
        self.stop = button("Stop", "Stop; files that are finished stay")
        self.show_folder = button("Open the folder", "Show the files")
        self.leave = button("Close", "Close (Escape)")
        self._lay_out()
        self._list_channels()
        self._recall()
        self._connect()
        self.refresh()

    def _lay_out(self) -> None:
        top = QGridLayout()
        top.setHorizontalSpacing(14)
        top.addWidget(label("Channels", "heading"), 0, 0)
        top.addWidget(label("Formats", "heading"), 0, 1)
        top.addWidget(self.channels, 1, 0)
        formats = QVBoxLayout()
        formats.setSpacing(10)
        for which, box in self.formats.items():
            formats.addWidget(box)
            if which is Format.TIFF:
                indented = QHBoxLayout()
                indented.addSpacing(26)
                indented.addWidget(self.tiff_depth)
                indented.addStretch()
                formats.addLayout(indented)
        formats.addStretch()
        top.addLayout(formats, 1, 1)
        top.setColumnStretch(0, 1)
        top.setColumnStretch(1, 1)
        where = QGridLayout()
        where.addWidget(label("Folder", "muted", wrap=False), 0, 0)
        where.addWidget(self.folder, 0, 1)
        where.addWidget(self.choose, 0, 2)
        where.addWidget(label("Files that are there already", "muted", wrap=False), 1, 0)
        where.addWidget(self.existing, 1, 1, 1, 2)
        where.setColumnStretch(1, 1)
        buttons = QHBoxLayout()
        buttons.addWidget(self.show_folder)
        buttons.addStretch()
        for one in (self.stop, self.leave, self.export):
            buttons.addWidget(one)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(16, 14, 16, 14)
        layout.setSpacing(10)
        layout.addLayout(top, 2)
        layout.addLayout(where)
        layout.addWidget(label("Files", "heading"))
        layout.addWidget(self.files, 3)
        layout.addWidget(self.words)
        layout.addLayout(buttons)

    def _list_channels(self) -> None:
        state = self._controller.model.state
        stale = {state.groups[number].group for number in state.stale}
        self._listed = state.channels
        with QSignalBlocker(self.channels):
            self.channels.clear()
            for channel in state.channels:
                group = channel.stack.recipe.group
                old = "  (out of date)" if group in stale else ""
                item = QListWidgetItem(f"{group.filter or 'no filter'}  {group.target}{old}")
                item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
                item.setCheckState(Qt.CheckState.Checked)
                self.channels.addItem(item)

    def _recall(self) -> None:
        wanted = self._choices.text("export formats", "FITS TIFF").split()
        for one, box in self.formats.items():
            box.setChecked(one.value in wanted)
        session = self._controller.session
        own = session.settings.export.tiff if session is not None else TiffDepth.UINT16
        depth = self._choices.text("export depth", own.value)
        self.tiff_depth.setCurrentIndex(max(self.tiff_depth.findData(depth), 0))
        out = self._controller.out
        beside = out.with_name(f"{out.name}-export") if out is not None else Path.home()
        self.folder.setText(self._choices.text("export folder", short(beside)))

    def _connect(self) -> None:
        self.channels.itemChanged.connect(self.refresh)
        for box in self.formats.values():
            box.toggled.connect(self.refresh)
        self.tiff_depth.currentIndexChanged.connect(self.refresh)
        self.folder.textChanged.connect(self.refresh)
        self.existing.currentIndexChanged.connect(self.refresh)
        self.choose.clicked.connect(self._choose)
        self.export.clicked.connect(self._begin)
        self.stop.clicked.connect(self._stop)
        self.leave.clicked.connect(self.reject)
        self.show_folder.clicked.connect(self._show_folder)
        self._controller.working_changed.connect(self.refresh)
        self._controller.model.changed.connect(self._night_changed)
        errands = self._controller.errands
        errands.answered.connect(self._answered)
        errands.failed.connect(self._failed)
        errands.dropped.connect(self._dropped)
        errands.advanced.connect(self._advanced)

    def chosen(self) -> list[FinishedChannel]:
        """List the channels that are chosen.

        Returns
        -------
        list of FinishedChannel
            In the order in which they are shown.
        """
        checked = Qt.CheckState.Checked
        return [
            channel
            for row, channel in enumerate(self._listed)
            if self.channels.item(row).checkState() == checked
        ]

    @Slot()
    def refresh(self) -> None:
        """Name the files anew."""
        busy = self._key is not None
        folder = self._folder()
        formats = [one for one, box in self.formats.items() if box.isChecked()]
        existing = list(_EXISTING)[self.existing.currentIndex()]
        self.copies = ()
        if folder is not None and not busy:
            self.copies = plan_copies(
                self.chosen(), formats, folder, existing=existing, depth=self._depth()
            )
            _show_copies(self.files, self.copies, self._written)
        self.tiff_depth.setEnabled(Format.TIFF in formats)
        new = sum(not copy.skipped for copy in self.copies)
        self.export.setText(f"Export {counted(new, 'file')}" if new else "Export")
        self.export.setEnabled(new > 0 and not busy and not self._controller.working)
        self.stop.setVisible(busy)
        self.show_folder.setEnabled(folder is not None and folder.is_dir())
        if folder is None:
            self.words.setText("Name a folder with its whole path, or choose one.")
        elif self._controller.working:
            self.words.setText("Channels can be exported when the work is done.")
        elif not busy:
            self.words.setText("" if new else "There is nothing to write.")

    @Slot()
    def _night_changed(self) -> None:
        if self._key is not None and not self._controller.errands.asked(self._key):
            self._end("Stopped. Files that were finished stay.")  # by another plan of the night
        if self._controller.model.state.channels is not self._listed:
            self._list_channels()
            self.refresh()

    def _depth(self) -> TiffDepth:
        return TiffDepth(self.tiff_depth.currentData())

    def _folder(self) -> Path | None:
        folder = spelled_out(self.folder.text())
        return folder if folder is not None and folder.is_absolute() else None

    @Slot()
    def _choose(self) -> None:
        folder = self._folder()
        start = folder if folder is not None and folder.is_dir() else Path.home()
        chosen = QFileDialog.getExistingDirectory(self, "Folder for the channels", str(start))
        if chosen:
            self.folder.setText(short(Path(chosen)))

    @Slot()
    def _begin(self) -> None:
        copies = self.copies
        self._choices.keep_text("export folder", self.folder.text().strip())
        formats = " ".join(one.value for one, box in self.formats.items() if box.isChecked())
        self._choices.keep_text("export formats", formats)
        self._choices.keep_text("export depth", self._depth().value)

        def _copy(progress: Progress, stop: Stop) -> int:
            progress.begin(Step.EXPORT, len(copies))
            return copy_files(copies, tick=lambda: progress.advance(Step.EXPORT), stop=stop)

        self._key = ("export", object())
        self._writing = copies
        self._controller.errands.ask(self._key, _copy)
        self.refresh()
        self.words.setText("Writing…")

    @Slot()
    def _stop(self) -> None:
        if self._key is not None:
            self._controller.errands.drop(self._key)

    @Slot()
    def _show_folder(self) -> None:
        folder = self._folder()
        if folder is not None:
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(folder)))

    @Slot(object)
    def _answered(self, key: object) -> None:
        if key == self._key:
            count = self._controller.errands.get(key)
            self._written |= {copy.target for copy in self._writing if not copy.skipped}
            self._end(f"{counted(int(str(count)), 'file')} written to {self.folder.text()}.")

    @Slot(object, str)
    def _failed(self, key: object, words: str) -> None:
        if key == self._key:
            self._end(f"{words[0].upper()}{words[1:]}.")

    @Slot(object)
    def _dropped(self, key: object) -> None:
        if key == self._key:
            self._end("Stopped. Files that were finished stay.")

    @Slot(object, int, int)
    def _advanced(self, key: object, done: int, total: int) -> None:
        if key == self._key:
            self.words.setText(f"Writing: {done} of {total} files")

    def _end(self, words: str) -> None:
        self._key = None
        self.refresh()
        self.words.setText(words)


def _show_copies(files: QListWidget, copies: Sequence[Copy], written: Set[Path]) -> None:
    """List files, with what becomes of those that are there already."""
    files.clear()
    for copy in copies:
        words = f"+  {copy.target.name}"
        if copy.skipped and copy.target in written:
            words = f"✓  {copy.target.name}: written"
        elif copy.skipped:
            words = f"–  {copy.target.name}: is there already and stays, nothing is written"
        elif copy.replaces:
            words = f"!  {copy.target.name}: replaces the file that is there"
        item = QListWidgetItem(words)
        item.setToolTip(str(copy.target))
        files.addItem(item)
