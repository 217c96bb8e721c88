"""What leaves the window as a file: pictures of plots, numbers as CSV and JSON."""

from pathlib import Path

from PySide6.QtCore import QPoint, QSize
from PySide6.QtGui import QImage, QPainter
from PySide6.QtWidgets import QWidget

from vibekit.errors import UsageError

SHARP = 2  # pixels of the picture for one of the screen


def picture_of(widget: QWidget) -> QImage:
    """Draw a widget at twice its size."""
    image = QImage(QSize(widget.width() * SHARP, widget.height() * SHARP), QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(SHARP)
    image.fill(widget.palette().window().color())
    painter = QPainter(image)
    widget.render(painter, QPoint())
    painter.end()
    return image


def save_picture(widget: QWidget, path: str | Path) -> None:
    """Write a widget as a PNG file. Raises UsageError when the place cannot be written."""
    path = Path(path)
    path = path if path.suffix.lower() == ".png" else path.with_name(f"{path.name}.png")
    if not picture_of(widget).save(str(path)):
        raise UsageError(f"picture {str(path)!r} cannot be written; choose another place")
