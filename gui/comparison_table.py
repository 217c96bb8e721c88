"""Each motor against every reference that there is: the others, its own past, the same model on other craft."""

from collections.abc import Mapping, Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QGridLayout, QWidget

from vibekit.comparison import Comparison, folded, key_words, table_rows
from vibekit.finding import Conclusion
from vibekit.gui.desk import label, rule
from vibekit.gui.theme import Look
from vibekit.wording import sentence


class ComparisonTable(QWidget):
    """A row a motor; the chosen one in bold."""

    def __init__(self, look: Look, comparisons: Sequence[Comparison], ends: Mapping[str, Conclusion | None], chosen: str | None) -> None:
        super().__init__()
        grid = QGridLayout(self)
        grid.setContentsMargins(look.px(4), look.px(8), look.px(8), 0)
        grid.setHorizontalSpacing(look.px(18))
        grid.setVerticalSpacing(look.px(7))
        columns, self.rows, idle = folded(table_rows(comparisons, ends))
        for column, words in enumerate(columns):
            grid.addWidget(label(sentence(words), "title"), 0, column)
        grid.addWidget(rule(look), 1, 0, 1, len(columns))
        for number, row in enumerate(self.rows):
            for column, words in enumerate(row):
                cell = label(words, "title" if row[0] == chosen else "", wrap=column > 1)
                cell.setAlignment(Qt.AlignmentFlag.AlignTop)
                grid.addWidget(cell, 2 + 2 * number, column)
            grid.addWidget(rule(look), 3 + 2 * number, 0, 1, len(columns))
        grid.addWidget(label(" ".join([key_words(), *idle]), "small"), 2 + 2 * len(self.rows), 0, 1, len(columns))
        grid.setRowStretch(3 + 2 * len(self.rows), 1)
        for column in range(2, len(columns)):
            grid.setColumnStretch(column, 1)
