"""Orders at which a brushless motor shakes and sings by itself."""

import math
from dataclasses import dataclass

from vibekit.errors import UsageError


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
    def orders(self) -> dict[int, str]:
        """What lies at which order of shaft speed, ascending; names that fall on one order are joined."""
        named = [(self.pairs, "electrical"), (self.poles, "2 x electrical"), (self.commutation, "commutation")]
        if self.cogging is not None:
            named.append((self.cogging, "cogging"))
        return {order: ", ".join(name for at, name in named if at == order) for order in sorted({at for at, _ in named})}
