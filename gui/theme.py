"""Colours, sizes and pens of the window, made from the palette that terminal and report use too."""

from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QPalette, QPen

from vibekit.marks import Theme, colours


@dataclass(frozen=True, slots=True)
class Look:
    """How everything looks: on light or on dark paper, and how large text is (1 on a screen 720 to 1080 pixels high)."""

    theme: Theme = "light"
    scale: float = 1.0

    def ink(self, name: str) -> QColor:
        """Give a colour of the palette."""
        return QColor(colours(self.theme)[name])

    def px(self, size: float) -> int:
        """Give a length in pixels, grown with the text."""
        return round(size * self.scale)

    def line(self, name: str, *, dashed: bool = False, dotted: bool = False) -> QPen:
        """Give a pen one pixel wide: wider ones are many times slower to paint."""
        pen = QPen(self.ink(name), 1)
        pen.setCosmetic(True)
        if dashed:
            pen.setStyle(Qt.PenStyle.DashLine)
        if dotted:
            pen.setStyle(Qt.PenStyle.DotLine)
        return pen

    def wash(self, name: str, alpha: int = 70) -> QColor:
        """Give a colour one can look through."""
        colour = self.ink(name)
        colour.setAlpha(alpha)
        return colour

    @property
    def palette(self) -> QPalette:
        """The colours of widgets that the style sheet leaves to the style."""
        made = QPalette()
        role = QPalette.ColorRole
        for names, ink in (
            ((role.Window, role.Base, role.ToolTipBase), "paper"),
            ((role.WindowText, role.Text, role.ButtonText, role.ToolTipText, role.HighlightedText), "ink"),
            ((role.PlaceholderText,), "muted"),
            ((role.Button, role.AlternateBase, role.Highlight), "rule"),
            ((role.Accent, role.Link), "this"),
        ):
            for name in names:
                made.setColor(name, self.ink(ink))
        for name in (role.WindowText, role.Text, role.ButtonText):
            made.setColor(QPalette.ColorGroup.Disabled, name, self.ink("cannot-tell"))
        return made

    @property
    def sheet(self) -> str:
        """The style sheet of all widgets."""
        names = colours(self.theme)
        sizes = {f"p{n}": f"{self.px(n)}px" for n in (2, 3, 4, 6, 8, 10, 12, 13, 15, 18, 22)}
        return _SHEET.format(**{name.replace("-", "_"): value for name, value in names.items()}, **sizes)


_SHEET = """
* {{ font-family: "DejaVu Sans", "Noto Sans", "Segoe UI", "Helvetica Neue", sans-serif; font-size: {p13}; color: {ink}; }}
QWidget#page, QWidget#desk {{ background: {paper}; }}
QScrollArea, QScrollArea > QWidget > QWidget {{ background: transparent; }}
QLabel#head {{ font-size: {p18}; font-weight: bold; }}
QLabel#title {{ font-weight: bold; }}
QLabel#small, QCheckBox#small {{ color: {muted}; font-size: {p12}; }}
QLabel#readout {{ color: {ink}; font-size: {p12}; }}
QLabel#big {{ font-size: {p22}; font-weight: bold; }}
QLabel#caution {{ border: none; border-left: {p4} solid {watch}; padding: {p3} {p8}; }}
QPushButton, QToolButton {{ background: {paper}; border: 1px solid {muted}; border-radius: {p3}; padding: {p3} {p10}; }}
QPushButton:hover, QToolButton:hover {{ border-color: {this}; }}
QPushButton:focus, QToolButton:focus {{ border: 1px solid {this}; }}
QPushButton:disabled, QToolButton:disabled {{ color: {others}; border-color: {rule}; }}
QPushButton#first {{ background: {this}; color: {paper}; border-color: {this}; font-weight: bold; }}
QPushButton#first:disabled {{ background: {rule}; border-color: {rule}; color: {muted}; }}
QPushButton#quiet, QToolButton#quiet {{ border: none; color: {muted}; padding: {p2} {p6}; font-size: {p12}; }}
QPushButton#quiet:hover, QToolButton#quiet:hover {{ color: {ink}; text-decoration: underline; }}
QPushButton#quiet:focus, QToolButton#quiet:focus {{ color: {ink}; text-decoration: underline; }}
QPushButton:checked, QToolButton:checked {{ background: {rule}; color: {ink}; border-color: {ink}; }}
QPushButton#task {{ border: none; border-left: {p4} solid transparent; text-align: left; padding: {p6} {p8}; border-radius: 0; }}
QPushButton#task:hover {{ background: {rule}; }}
QPushButton#task:checked {{ border-left: {p4} solid {this}; background: {rule}; font-weight: bold; }}
QPushButton#task:focus {{ border-top: 1px dotted {muted}; border-bottom: 1px dotted {muted}; }}
QComboBox, QLineEdit, QAbstractSpinBox {{ min-height: {p22}; }}
QLineEdit {{ placeholder-text-color: {muted}; border: 1px solid {muted}; border-radius: {p3}; padding: 0 {p4}; background: {paper}; }}
QLineEdit:focus {{ border-color: {this}; }}
QCheckBox, QRadioButton {{ background: transparent; spacing: {p6}; }}
QProgressBar {{ border: 1px solid {muted}; border-radius: {p3}; text-align: center; background: {paper}; max-height: {p15}; }}
QProgressBar::chunk {{ background: {others}; }}
QFrame#rule {{ background: {rule}; border: none; }}
QScrollBar:vertical {{ background: transparent; width: {p10}; }}
QScrollBar::handle:vertical {{ background: {others}; border-radius: {p4}; min-height: {p22}; }}
QScrollBar:horizontal {{ background: transparent; height: {p10}; }}
QScrollBar::handle:horizontal {{ background: {others}; border-radius: {p4}; min-width: {p22}; }}
QAbstractScrollArea::corner {{ background: transparent; border: none; }}
QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
QScrollBar::add-page, QScrollBar::sub-page {{ background: none; }}
QListWidget {{ border: 1px solid {rule}; background: {paper}; }}
QListWidget::item:selected {{ background: {rule}; color: {ink}; }}
QToolTip {{ background: {paper}; color: {ink}; border: 1px solid {muted}; }}
QWidget#drop {{ border: 1px dashed {muted}; border-radius: {p6}; }}
"""
