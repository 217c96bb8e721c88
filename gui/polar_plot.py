"""Vectors of a balancing job in their plane: angle from the mark in the direction in which the rotor turns, length as read at the rings."""

import math

import numpy as np

from vibekit.gui.plot import Plot, figures
from vibekit.gui.theme import Look
from vibekit.wording import unit_words

RINGS = 3


class PolarPlot(Plot):
    """A plane with rings and degrees; `arrow` draws from the middle."""

    def __init__(self, look: Look, title: str, unit: str) -> None:
        super().__init__(look, title, ("along 0°", unit), ("along 90°", unit))
        self.unit = unit
        self.box.setAspectLocked(True)
        self.say = self._say_at
        self.reach = 1.0

    def rings(self, largest: float) -> None:
        """Draw rings and degrees for vectors up to `largest`."""
        step = 10 ** math.floor(math.log10(max(largest, 1e-12) / RINGS))
        step *= next(k for k in (1, 2, 5, 10) if k * step * RINGS >= largest)
        self.reach = RINGS * step
        turn = np.linspace(0, 2 * np.pi, 181)
        for ring in range(1, RINGS + 1):
            self.curve(ring * step * np.cos(turn), ring * step * np.sin(turn), "rule")
            self.words(0.0, ring * step, figures(ring * step), "muted", anchor=(1.1, 0.5))
        for degrees in range(0, 360, 45):
            x, y = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
            self.curve([0.0, self.reach * x], [0.0, self.reach * y], "rule")
            self.words(1.09 * self.reach * x, 1.09 * self.reach * y, f"{degrees}°", "muted", anchor=(0.5, 0.5))
        self.frame(-1.2 * self.reach, 1.2 * self.reach, -1.2 * self.reach, 1.2 * self.reach)

    def arrow(self, value: complex, words: str, ink: str, *, u95: float = 0.0, start: complex = 0j) -> None:
        """Draw a vector with the circle that holds its end with 95 %."""
        self.curve([start.real, value.real], [start.imag, value.imag], ink)
        self.points([value.real], [value.imag], ink, size=7)
        if u95 > 0:
            turn = np.linspace(0, 2 * np.pi, 61)
            self.curve(value.real + u95 * np.cos(turn), value.imag + u95 * np.sin(turn), ink, dotted=True)
        self.words(value.real, value.imag, words, ink, anchor=(-0.05, 1.0))

    def _say_at(self, x: float, y: float) -> str:
        return f"{figures(math.hypot(x, y))} {unit_words(self.unit)} at {math.degrees(math.atan2(y, x)) % 360:.0f}°"
