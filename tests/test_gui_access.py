"""The window for small screens, large text, keys alone, and those who have it read out."""

import shutil

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QAbstractButton, QAbstractSpinBox, QComboBox, QLineEdit, QScrollArea

from tests.windows import opening, rest
from vibekit.gui.theme import Look


@pytest.fixture
def opened(qtbot, wren_bench, tmp_path):
    """Opens windows on the invented craft, and closes them after the test."""
    shutil.copytree(wren_bench / "archive", tmp_path / "archive")
    with opening(qtbot, tmp_path) as open_on:
        yield lambda look: open_on(tmp_path / "archive", look)


@pytest.mark.parametrize(("width", "height", "scale"), [(640, 480, 1.0), (1280, 720, 2.0)])
def test_what_has_no_room_is_scrolled_to_and_not_cut_off(opened, qtbot, width, height, scale):
    """On a small screen or with large text: the window fits, and every page is as large as its words want to be."""
    window = opened(Look(scale=scale))
    window.resize(width, height)
    for name, page in window.pages.items():
        window.go(name)
        rest(qtbot, window)
        assert (window.width(), window.height()) == (width, height), name
        qtbot.waitUntil(lambda page=page: page.size().expandedTo(page.minimumSizeHint()) == page.size())
        for area in page.findChildren(QScrollArea):
            inside, sideways = area.widget(), area.horizontalScrollBar()
            if area.isVisible():
                assert inside.width() >= inside.minimumSizeHint().width() or sideways.isVisible(), name
    window.tell("no " * 500)
    assert window.width() == width


def test_every_field_says_what_it_is_for_and_can_be_reached_by_keys(opened, qtbot):
    window = opened(Look())
    fields = (QLineEdit, QComboBox, QAbstractSpinBox)
    for name, page in window.pages.items():
        window.go(name)
        rest(qtbot, window)
        own = [f for kind in fields for f in page.findChildren(kind) if not isinstance(f.parent(), (QComboBox, QAbstractSpinBox))]
        assert [type(field).__name__ for field in own if not field.accessibleName()] == [], name
        buttons = [button for button in page.findChildren(QAbstractButton) if button.isVisible()]
        assert [button.text() for button in buttons if not button.focusPolicy() & Qt.FocusPolicy.TabFocus] == [], name
