"""Where a file is to be written."""

from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QFileDialog, QWidget

KINDS = {"png": "picture", "csv": "numbers", "json": "numbers for programs", "html": "report", "pdf": "report to print"}


def ask_file(parent: QWidget, settings: QSettings, title: str, proposed: str, endings: Sequence[str]) -> str:
    """Ask in the folder that was used last; a name without one of the endings gets that of the kind chosen. "" when nothing was chosen."""
    folder = str(settings.value("folder", str(Path.home())))
    kinds = ";;".join(f"{KINDS[ending]} (*.{ending})" for ending in endings)
    file, kind = QFileDialog.getSaveFileName(parent, title, str(Path(folder) / proposed), kinds)
    if not file:
        return ""
    settings.setValue("folder", str(Path(file).parent))
    if Path(file).suffix.lower().removeprefix(".") in endings:
        return file
    return f"{file}.{next((ending for ending in endings if f'*.{ending}' in kind), endings[0])}"
