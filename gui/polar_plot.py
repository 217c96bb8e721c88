"""Vectors of a balancing job in their plane: angle from the mark in the direction in which the rotor turns, length as read at the rings."""

import cmath
import math
from dataclasses import replace

import numpy as np

from vibekit.gui.plot import Plot, figures
from vibekit.gui.series import Drawn, Series
from vibekit.gui.theme import Look
from vibekit.normal import Z95
from vibekit.wording import unit_words

RINGS = 3
ROUND = 2.448 / Z95  # radius that holds 95 % of a normal error of two equal parts, over the half width for one of them (Rayleigh)


class PolarPlot(Plot):
    """A plane with rings and degrees; `arrow` draws from the middle, `circle` a vector of unknown direction."""

    def __init__(self, look: Look, title: str, unit: str) -> None:
        super().__init__(look, title, ("along 0°", unit), ("along 90°", unit))
        self.unit = unit
        self.box.setAspectLocked(True)
        for side in ("left", "bottom"):
            self.item.getAxis(side).hide()  # rings and degrees are its axes
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
            unit = f" {unit_words(self.unit)}" if ring == RINGS else ""
            self.words(0.0, ring * step, f"{figures(ring * step)}{unit}", "muted", anchor=(1.03, 0.5))
        for degrees in range(0, 360, 45):
            x, y = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
            self.curve([0.0, self.reach * x], [0.0, self.reach * y], "rule")
            self.words(1.09 * self.reach * x, 1.09 * self.reach * y, f"{degrees}°", "muted", anchor=(0.5, 0.5))
        self.frame(-1.2 * self.reach, 1.2 * self.reach, -1.2 * self.reach, 1.2 * self.reach)

    def arrow(self, value: complex, words: str, ink: str, *, u95: float = 0.0) -> None:
        """Draw a vector with the circle that holds its end with 95 %; u95: half width of the 95 % interval of its size."""
        self.curve([0.0, value.real], [0.0, value.imag], ink)
        self.points([value.real], [value.imag], ink, size=7)
        if u95 > 0:
            self._circle(value, ROUND * u95, ink, dotted=True)
        self._remember(words, abs(value), u95, math.degrees(cmath.phase(value)) % 360)
        outward = 0.5 - 0.6 * value.real / max(abs(value), 1e-30), 0.5 + 0.9 * value.imag / max(abs(value), 1e-30)
        self.words(value.real, value.imag, words, ink, anchor=outward)

    def circle(self, size: float, words: str, ink: str, *, u95: float = 0.0, at_deg: float = 45.0) -> None:
        """Draw a vector of which only the size is known, between the circles of its 95 % interval; its words stand at an angle."""
        self._circle(0j, size, ink)
        for edge in (size - u95, size + u95) if u95 > 0 else ():
            self._circle(0j, max(edge, 0.0), ink, dotted=True)
        self._remember(words, size, u95, math.nan)
        at = cmath.rect(size, math.radians(at_deg))
        self.words(at.real, at.imag, words, ink, anchor=(0.5, 0.5))

    def _circle(self, middle: complex, radius: float, ink: str, *, dotted: bool = False) -> None:
        turn = np.linspace(0, 2 * np.pi, 181)
        self.curve(middle.real + radius * np.cos(turn), middle.imag + radius * np.sin(turn), ink, dotted=dotted)

    def _remember(self, words: str, size: float, u95: float, angle_deg: float) -> None:
        self.remember(Series(words, np.array([angle_deg]), np.array([size]), np.array([u95])))

    @property
    def drawn(self) -> Drawn:
        """Size against angle, a vector each."""
        return replace(super().drawn, x=("angle", "degrees"), y=("peak amplitude", self.unit))

    def _say_at(self, x: float, y: float) -> str:
        return f"{figures(math.hypot(x, y))} {unit_words(self.unit)} at {math.degrees(math.atan2(y, x)) % 360:.0f}°"
