"""What leaves the window as a file: a plot as a picture, or its numbers."""

from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint, QSize
from PySide6.QtGui import QImage, QPainter
from PySide6.QtWidgets import QWidget

from vibekit.errors import UsageError
from vibekit.gui.series import drawn_csv, drawn_json

if TYPE_CHECKING:
    from vibekit.gui.plot import Plot

SHARP = 2  # pixels of the picture for one of the screen
ENDINGS = ("png", "csv", "json")


def picture_of(widget: QWidget) -> QImage:
    """Draw a widget at twice its size."""
    image = QImage(QSize(widget.width() * SHARP, widget.height() * SHARP), QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(SHARP)
    image.fill(widget.palette().window().color())
    painter = QPainter(image)
    widget.render(painter, QPoint())
    painter.end()
    return image


def save_plot(plot: "Plot", path: str | Path) -> Path:
    """Write a plot by the name's ending: .png its picture (added where another ending stands), .csv or .json its numbers; give the path.

    Raises UsageError when the place cannot be written.
    """
    path = Path(path)
    ending = path.suffix.lower().removeprefix(".")
    path = path if ending in ENDINGS else path.with_name(f"{path.name}.png")
    if ending in ("csv", "json"):
        try:
            path.write_text((drawn_csv if ending == "csv" else drawn_json)(plot.drawn), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"numbers {str(path)!r} cannot be written: {error.strerror}; choose another place") from None
    elif not picture_of(plot).save(str(path)):
        raise UsageError(f"picture {str(path)!r} cannot be written; choose another place")
    return path
