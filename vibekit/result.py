"""The machine-readable result: what `--json` prints. Its fields may grow; those that are there keep their name and meaning."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from vibekit.craft_verdict import CraftVerdict
from vibekit.finding import Conclusion, Diagnosis
from vibekit.mode import FrameMode
from vibekit.reading import Curve, Reading


def reading_json(reading: Reading, diagnosis: Diagnosis) -> dict[str, Any]:
    """Give the object "vibekit.reading/1" of one recording. A number that is not finite becomes None."""
    speed = reading.speed
    return {
        "schema": "vibekit.reading/1",
        "file": reading.file,
        "sha256": reading.sha256,
        "rate_hz": finite(reading.rate_hz),
        "duration_s": finite(reading.duration_s),
        "channels": [{"role": role, "unit": unit} for role, unit in reading.channels],
        "screening": {
            "usable": reading.screening.usable,
            "problems": [{"code": p.code, "severity": p.severity, "detail": p.detail} for p in reading.screening.problems],
        },
        "speed": {
            "rpm": finite(speed.rpm),
            "rpm_u95": finite(speed.rpm_u95),
            "method": speed.method,
            "rpm_min": finite(speed.rpm_min),
            "rpm_max": finite(speed.rpm_max),
            "candidates": [{"rpm": finite(rpm), "probability": finite(chance)} for rpm, chance in speed.candidates],
            "rotors": [{"rpm": finite(rpm), "rpm_u95": finite(u95)} for rpm, u95 in speed.rotors],
        },
        "orders": [
            {
                "order": finite(o.order),
                "name": o.name,
                "amplitude": finite(o.amplitude),
                "u95": finite(o.u95),
                "at_most": finite(o.at_most),
                "unit": o.unit,
            }
            for o in reading.orders
        ],
        "quantities": [
            {"name": q.name, "value": finite(q.value), "u95": finite(q.u95), "at_most": finite(q.at_most), "unit": q.unit}
            for q in reading.quantities
        ],
        "modes": [mode_json(mode) for mode in reading.settings.modes],
        "one_turn": curve_json(turn) if (turn := reading.curve("one turn")) else None,
        "log": list(reading.log),
        **diagnosis_json(diagnosis),
    }


def curve_json(curve: Curve) -> dict[str, Any]:
    """Give a curve with its axes, and the half width of its 95 % interval where it is stated."""
    u95 = None if curve.u95 is None else [finite(each) for each in curve.u95]
    x, y = ([finite(each) for each in values] for values in (curve.x, curve.y))
    return {"x": x, "x_unit": curve.x_unit, "y": y, "y_unit": curve.y_unit, "u95": u95}


def mode_json(mode: FrameMode) -> dict[str, Any]:
    """Give a mode of the frame."""
    return {
        "frequency_hz": finite(mode.frequency_hz),
        "frequency_u95_hz": finite(mode.frequency_u95_hz),
        "damping": finite(mode.damping),
        "damping_u95": finite(mode.damping_u95),
    }


def set_json(readings: Sequence[tuple[Reading, Diagnosis]], diagnosis: Diagnosis) -> dict[str, Any]:
    """Give the object "vibekit.set/1": recordings judged together, each with what it says alone, and what they say together."""
    return {
        "schema": "vibekit.set/1",
        "readings": [reading_json(reading, alone) for reading, alone in readings],
        **diagnosis_json(diagnosis),
    }


def craft_json(
    craft: str, readings: Mapping[str, Sequence[Reading]], verdicts: Mapping[str, Diagnosis], conclusion: Conclusion
) -> dict[str, Any]:
    """Give the object "vibekit.craft/1": each motor of a craft with its readings and verdict, and the one conclusion."""
    motors = [
        {"position": position, "readings": [reading_json(r, verdict) for r in readings[position]], **diagnosis_json(verdict)}
        for position, verdict in verdicts.items()
    ]
    return {"schema": "vibekit.craft/1", "craft": craft, "motors": motors, "conclusion": _conclusion(conclusion)}


def verdict_json(verdict: CraftVerdict) -> dict[str, Any]:
    """Give the verdict of a craft: what to act on first, what else is suspect, what was not tested, what to measure next."""
    acts, also = ([{"position": s.position, "what": s.what, "action": s.action} for s in listed] for listed in (verdict.acts, verdict.also))
    return {
        "words": verdict.words,
        "acts": acts,
        "also_suspect": also,
        "not_tested": list(verdict.not_tested),
        "next_position": verdict.next_position,
        "next_step": verdict.next_step,
    }


def diagnosis_json(diagnosis: Diagnosis) -> dict[str, Any]:
    """Give the two fields "findings" and "conclusion"."""
    return {
        "findings": [
            {
                "condition": f.condition,
                "probability": finite(f.probability),
                "evidence": [
                    {"text": e.text, "supports": bool(e.supports), "weight": finite(e.weight), "against": e.against} for e in f.evidence
                ],
                "position": f.position,
                "part": f.part,
                "action": f.action,
                "next_step": f.next_step,
            }
            for f in diagnosis.findings
        ],
        "conclusion": _conclusion(diagnosis.conclusion),
    }


def _conclusion(end: Conclusion) -> dict[str, Any]:
    return {
        "condition": end.condition,
        "probability": finite(end.probability),
        "position": end.position,
        "part": end.part,
        "action": end.action,
        "also": list(end.also),
        "reason": end.reason,
        "next_step": end.next_step,
        "next_measurement": end.next_measurement,
        "next_bits": finite(end.next_bits),
    }


def finite(value: float | None) -> float | None:
    """Give the number, None when it is not finite: JSON has no word for that."""
    return float(value) if value is not None and math.isfinite(value) else None
