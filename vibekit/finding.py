"""Findings and the conclusion: what the readings say, in terms of conditions, parts and actions."""

from dataclasses import dataclass

ODD = 0.9  # probability from which something is said to be wrong though nothing can be named


@dataclass(frozen=True, slots=True)
class Evidence:
    """One measurement that speaks for or against a condition.

    text: in words, with the number; weight: log10 of the likelihood ratio against the other conditions, signed as `supports`
    against: the one condition that makes up most of these others, "" where none does
    """

    text: str
    supports: bool
    weight: float
    against: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One condition with its probability and what speaks for and against it."""

    condition: str
    probability: float
    evidence: tuple[Evidence, ...]
    position: str | None
    part: str
    action: str
    next_step: str


@dataclass(frozen=True, slots=True)
class Conclusion:
    """The best explanation, or "undecided" when none is clearly better than the others.

    probability: of the condition; of "undecided" that anything is wrong, 0 where the readings cannot even tell that
    reason: why, in one or two sentences; next_step: the one measurement or action to do next
    also: other conditions that it may be as well and that call for the same work; `probability` is that of all of them together
    next_measurement: key of the next step where it was chosen by the information expected of it ("bare", "prop-edge", "swap" ...), else ""
    next_bits: that information about the condition, bits
    """

    condition: str
    probability: float
    position: str | None
    part: str
    action: str
    reason: str = ""
    next_step: str = ""
    also: tuple[str, ...] = ()
    next_measurement: str = ""
    next_bits: float = 0.0

    @property
    def claims(self) -> bool:
        """A fault is named."""
        return self.condition not in ("healthy", "undecided")

    @property
    def hurt(self) -> bool:
        """A fault is named, or something is surely wrong though none can be."""
        return self.claims or self.odd

    @property
    def odd(self) -> bool:
        """Something is wrong, but what cannot be told."""
        return self.condition == "undecided" and self.probability >= ODD


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Findings, most probable first, and the conclusion drawn from them."""

    findings: tuple[Finding, ...]
    conclusion: Conclusion
