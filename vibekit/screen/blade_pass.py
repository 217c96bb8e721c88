"""A recording said to be with a propeller in which no propeller is heard."""

from collections.abc import Sequence

from vibekit.problem import Problem
from vibekit.reading import OrderLine
from vibekit.settings import Settings

CLEAR = 10.0**0.5  # of 1x, amplitude over the noise: 10 dB; in a recording that shows less, much may hide
WHERE = ("prop", "run-up")
MULTIPLES = (1, 2)


def check_blade_pass(lines: Sequence[OrderLine], settings: Settings) -> tuple[Problem, ...]:
    """Ask whether it was run bare, where the rotor stands clear and neither the blade pass nor twice it does.

    Blades throw off their load at the blade pass and its multiples, however well they are balanced (Gutin, 1936: Fourier components of the
    load on a rotating blade). Only asked: what was said stays. The other way round nothing is: lines of a bare shaft fall on these orders.
    """
    if settings.test not in WHERE or settings.blades is None:
        return ()
    at = {line.order: line for line in lines}
    once, passes = at.get(1.0), [at.get(float(k * settings.blades)) for k in MULTIPLES]
    if once is None or once.amplitude - once.u95 < CLEAR * once.floor or not all(line and line.amplitude <= line.floor for line in passes):
        return ()
    first, second = (f"{k * settings.blades}x" for k in MULTIPLES)
    detail = (
        f"Neither {first} nor {second} shows, and {settings.blades} blades make both: was it run bare? "
        "Then take it out with `vibekit archive remove` and add it again with --test bare; else check the number of blades."
    )
    return (Problem("no-blade-pass", "warning", detail),)
