"""The master frames: picture, numbers, and the frames that they came from."""

from functools import partial

from PySide6.QtCore import Slot
from PySide6.QtWidgets import QListWidget, QListWidgetItem, QVBoxLayout, QWidget

from stackbench.export.night import MasterEntry
from stackbench.frames.records import Kind
from stackbench.frames.words import celsius, counted, seconds
from stackbench.job.pictures import product_picture
from stackbench.window.controller import Controller
from stackbench.window.productpage import ProductView, Shown


class MastersPage(QWidget):
    """Shows the masters; sets nothing."""

    def __init__(self, controller: Controller, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = controller.model
        self.setAccessibleName("Masters")
        self.products = ProductView(
            controller, "Masters", "The masters are listed when the night’s record is written."
        )
        self.frames = QListWidget()
        self.frames.setAccessibleName("Frames of this master")
        self.frames.setMaximumHeight(120)
        self.products.below.addWidget(self.frames)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.products)
        self.products.picked.connect(self._show)
        self._model.changed.connect(self.refresh)
        self.refresh()

    @property
    def masters(self) -> tuple[MasterEntry, ...]:
        """The masters of the night's record.

        Returns
        -------
        tuple of MasterEntry
            Empty before it is written.
        """
        night = self._model.state.night
        return () if night is None else night.masters

    @Slot()
    def refresh(self) -> None:
        """List the masters."""
        self.products.show_items([_name(one) for one in self.masters])
        self.frames.setVisible(bool(self.masters))
        if self.masters:
            self._show(self.products.number)
        else:
            self.products.words.setText("")

    @Slot(int)
    def _show(self, number: int) -> None:
        if not 0 <= number < len(self.masters):
            return
        master = self.masters[number]
        self.products.words.setText(_numbers(master))
        self.frames.clear()
        for dropped in master.dropped:
            item = QListWidgetItem(f"✕  {dropped.path.name}: left out, {dropped.why}")
            item.setToolTip(str(dropped.path))
            self.frames.addItem(item)
        for path in master.frames:
            item = QListWidgetItem(f"✓  {path.name}")
            item.setToolTip(str(path))
            self.frames.addItem(item)
        night = self._model.state.night
        if self.isVisible() and night is not None:
            path = night.out / master.path
            mark = path.stat().st_mtime_ns if path.exists() else 0
            make = partial(product_picture, path)
            self.products.show_picture(Shown(key=("master", path, mark), make=make))

    def showEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        """Show the picture that is wanted by now."""
        super().showEvent(event)  # type: ignore[arg-type]
        self._show(self.products.number)


def _name(master: MasterEntry) -> str:
    facts = [
        master.filter or "" if master.kind == Kind.FLAT.value else "",
        seconds(master.exposure_s) if master.exposure_s is not None else "",
        celsius(master.temperature_c) if master.temperature_c is not None else "",
    ]
    kind = f"{master.kind[0].upper()}{master.kind[1:]}"
    return f"{kind}  {'  '.join(filter(None, facts))}\n{counted(len(master.frames), 'frame')}"


def _numbers(master: MasterEntry) -> str:
    parts = [f"From {counted(len(master.frames), 'frame')}"]
    if master.level_adu is not None:
        parts.append(f"level {master.level_adu:.1f} ADU")
    if master.read_noise_e is not None:
        parts.append(f"read noise {master.read_noise_e:.2f} e⁻")
    if master.gain_e_per_adu is not None:
        parts.append(f"gain {master.gain_e_per_adu:.3f} e⁻/ADU")
    if master.rejected_pixels is not None:
        parts.append(f"{counted(master.rejected_pixels, 'value')} rejected")
    if master.serves is not None:
        parts.append(f"serves {counted(master.serves, 'light')}")
    return ", ".join([*parts, *master.notes]) + "." + "".join(f" {one}" for one in master.warnings)
