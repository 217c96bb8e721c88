"""Findings and the conclusion: what the readings say, in terms of conditions, parts and actions."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Evidence:
    """One measurement that speaks for or against a condition.

    text: in words, with the number; weight: log10 of the likelihood ratio against the other conditions, signed as `supports`
    """

    text: str
    supports: bool
    weight: float


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


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Findings, most probable first, and the conclusion drawn from them."""

    findings: tuple[Finding, ...]
    conclusion: Conclusion
