"""Orders at which a brushless motor shakes and sings by itself, and where its propeller hides them."""

import math
from dataclasses import dataclass

from vibekit.errors import UsageError

_KT = 60 / (2 * math.pi)


@dataclass(frozen=True, slots=True)
class Magnetics:
    """Poles and teeth of a three-phase permanent-magnet motor with one coil round each tooth.

    poles: magnets, even; slots: winding teeth, a multiple of 3, or None when not known
    """

    poles: int
    slots: int | None = None

    def __post_init__(self) -> None:
        if self.poles < 2 or self.poles % 2:
            raise UsageError(f"poles is {self.poles}; magnets come in pairs, so it must be even and at least 2")
        if self.slots is not None and (self.slots < 3 or self.slots % (3 * math.gcd(self.slots, self.pairs))):
            raise UsageError(f"slots is {self.slots} with {self.poles} poles; no three-phase winding has that: count the teeth again")

    @property
    def pairs(self) -> int:
        """Pole pairs: the order of the electrical frequency (D. Hanselman, Brushless Permanent Magnet Motor Design)."""
        return self.poles // 2

    @property
    def commutation(self) -> int:
        """Order of the torque ripple of six-step drive: six a electrical turn (same source)."""
        return 6 * self.pairs

    @property
    def cogging(self) -> int | None:
        """Order of the cogging torque: the least common multiple of poles and slots.

        N. Bianchi, S. Bolognani, IEEE Trans. Ind. Appl. 38 (2002) 1259-1265; None while the slots are not known.
        """
        return None if self.slots is None else math.lcm(self.poles, self.slots)

    @property
    def is_pulled_sideways(self) -> bool | None:
        """True when the magnetic pull on the rotor has no symmetry: poles and slots share no divisor; None while slots are not known."""
        return None if self.slots is None else math.gcd(self.poles, self.slots) == 1

    @property
    def orders(self) -> dict[int, str]:
        """What lies at which order of shaft speed, ascending; names that fall on one order are joined."""
        named = [(self.pairs, "electrical"), (self.poles, "2 x electrical"), (self.commutation, "commutation")]
        if self.cogging is not None:
            named.append((self.cogging, "cogging"))
        return {order: ", ".join(name for at, name in named if at == order) for order in sorted({at for at, _ in named})}

    def hidden_by(self, blades: int) -> dict[int, int]:
        """Those orders that are harmonics of blade pass too, each with the harmonic's number: frequency cannot tell them apart.

        Raises UsageError unless blades is at least 1.
        """
        if blades < 1:
            raise UsageError(f"blades is {blades}; it must be at least 1")
        return {order: order // blades for order in self.orders if order % blades == 0}


def winding_factor(motor: Magnetics) -> float:
    """Give the fundamental winding factor of a tooth winding: pitch factor times distribution factor.

    N. Bianchi, M. Dai Pre, IEE Proc. Electr. Power Appl. 153 (2006) 589-594. Raises UsageError while the slots are not known.
    """
    if motor.slots is None:
        raise UsageError("slots is not known; count the winding teeth to get the winding factor")
    spread = motor.slots // math.gcd(motor.slots, 3 * motor.poles)  # numerator of slots a pole and phase
    pitch = math.sin(math.pi * motor.poles / (2 * motor.slots))
    return abs(pitch) * math.sin(math.pi / 6) / (spread * math.sin(math.pi / (6 * spread)))


def torque_constant(kv: float) -> float:
    """Give the torque for each ampere of supply current, N m/A, of a motor of `kv` rpm for each volt (lossless: energy balance).

    Raises UsageError unless kv is above 0.
    """
    if not kv > 0:
        raise UsageError(f"kv is {kv:g} rpm/V; it must be above 0")
    return _KT / kv


def torque_constant_sine(kv: float) -> float:
    """Give the torque for each ampere of phase-current amplitude, N m/A, driven by sines with kv from line-to-line peak volts.

    Raises UsageError unless kv is above 0.
    """
    return torque_constant(kv) * 1.5 / math.sqrt(3)
