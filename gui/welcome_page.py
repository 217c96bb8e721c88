"""What is shown while the archive holds no craft: what to do first, and the offer of the demo's craft."""

from collections.abc import Callable

from PySide6.QtWidgets import QHBoxLayout, QPushButton, QVBoxLayout

from vibekit.gui.desk import Desk, Page, label
from vibekit.turning import ADVICE

TEXT = (
    "After a hard landing, or when a motor sounds wrong: record each motor, and see which one is hurt, which part of it, how sure that is, "
    "and what to do. Then record again and see whether the repair worked."
)
OWN = (
    "“vibekit craft my-craft.toml” on the command line asks for what is known of it and writes a file; every question may be left open. "
    "Bring that file in here."
)
INVENTED = (
    "The Wren-4 of the Lerchenfeld Rotor Bench in Amsel, invented: recorded when it was sound, and again after a hard landing. Its "
    "recordings are made here by the kit's simulation, in about a minute. Everything can be tried on it; its name tells it from your own."
)


class WelcomePage(Page):
    """The first start."""

    name, title = "welcome", "Begin"

    def __init__(self, desk: Desk, describe: Callable[[], None], demo: Callable[[], None]) -> None:
        super().__init__(desk)
        px = self.look.px
        self.own = QPushButton("Bring in a craft's description …")
        self.own.setObjectName("first")
        self.own.clicked.connect(lambda: describe())
        self.demo = QPushButton("Show the job on an invented craft")
        self.demo.clicked.connect(lambda: demo())
        whole = QVBoxLayout(self)
        whole.setContentsMargins(px(60), px(40), px(60), px(20))
        whole.setSpacing(px(14))
        whole.addWidget(label("This archive is empty", "big"))
        whole.addWidget(label(TEXT))
        whole.addWidget(label("Your own craft", "title"))
        whole.addWidget(label(OWN))
        whole.addLayout(_row(self.own))
        whole.addWidget(label("Or look around first", "title"))
        whole.addWidget(label(INVENTED))
        whole.addLayout(_row(self.demo))
        whole.addStretch(1)
        whole.addWidget(label(f"{ADVICE} No answer of the kit is a permission to fly.", "caution"))


def _row(button: QPushButton) -> QHBoxLayout:
    row = QHBoxLayout()
    row.addWidget(button)
    row.addStretch(1)
    return row
