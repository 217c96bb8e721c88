"""Numbers with their intervals, units, probabilities and conclusions in words: the same in terminal, window and report."""

import math
from collections.abc import Iterable, Mapping, Sequence

from vibekit.catalogue import Condition, load_catalogue
from vibekit.finding import Conclusion, Evidence
from vibekit.marks import ACT, CANNOT_TELL, NO_FAULT_FOUND, WATCH, State
from vibekit.reading import SCORE, OrderLine, Reading, SpeedResult
from vibekit.settings import TESTS, Settings, Test

UNIT_WORDS = {
    "FS": "of full scale",
    "(FS)²": "of full scale, squared",
    "FS rms": "of full scale, rms",
    "m/s2": "m/s²",
    "deg": "°",
    "1": "",
}
TEST_WORDS = {
    "hand-spin": "spun by hand",
    "bare": "run bare, without propeller",
    "prop": "run with its propeller, steady",
    "run-up": "run up with its propeller",
    "flight": "recorded in flight",
    None: "test not stated",
}
SENSOR_WORDS = {
    "microphone": "microphone",
    "contact": "contact pick-up",
    "accelerometer": "accelerometer",
    "phone-motion": "motion sensor of a phone",
    None: "sensor not stated",
}
SHORT = {  # quantities as tables and plots name them, where their own names are not those of the trade
    "comb": "harmonics and half orders",
    "unsteadiness": "wander of 1x",
    "wash": "noise below 2 kHz",
    "roughness": "noise above 2 kHz",
    "once a turn": "pulsing once a turn",
    "impulsiveness": "clicks",
    "outer race": "pulses of the outer race",
    "inner race": "pulses of the inner race",
    "ball": "pulses of a ball",
    "cage": "pulses of the cage",
    "defect comb": "pulses of a bearing",
}
# Mastrandrea et al., IPCC guidance note on uncertainties (2010), table 1: bounds of the likelihood words (from memory)
_LIKELIHOOD = (
    (0.99, "all but certain"),
    (0.90, "very likely"),
    (0.66, "likely"),
    (0.33, "about as likely as not"),
    (0.10, "unlikely"),
    (0.01, "very unlikely"),
)
SETTLED, RIVAL = 0.75, 0.1  # probability from which lines are said to tell the number of blades, and from which another is named


def unit_words(unit: str) -> str:
    """Write a unit as it is read; a unit that needs no words is given back as it is."""
    return UNIT_WORDS.get(unit, unit)


def condition_words(condition: str) -> str:
    """Say a condition in the catalogue's words; one that it does not know is given back with its hyphens taken out."""
    known = _known(condition)
    return known.words if known else condition.replace("-", " ")


def likelihood(probability: float) -> str:
    """Say a probability in words and as a number: "very likely (94 %)". Never certain: no words for 1, and none above 99 %."""
    words = next((word for bound, word in _LIKELIHOOD if probability >= bound), "all but excluded")
    percent = "over 99" if probability > 0.99 else "under 1" if probability < 0.01 else f"{100 * probability:.0f}"
    return f"{words} ({percent}\N{NO-BREAK SPACE}%)"


def verdict(conclusion: Conclusion | None, not_tested: Sequence[str] = ()) -> str:
    """Say what a conclusion says of its motor; "no fault found" always goes with what was not tested."""
    if conclusion is None:
        return "Not judged: there is no recording to judge by."
    if conclusion.condition == "healthy":
        return f"No fault found by these tests; not tested: {', '.join(not_tested) or 'everything that these tests cannot show'}."
    words = sentence(conclusion_words(conclusion))
    return f"{words}." if conclusion.condition == "undecided" and not conclusion.odd else f"{words}: {likelihood(conclusion.probability)}."


def conclusion_words(conclusion: Conclusion) -> str:
    """Say the condition, and the others that it may be as well: "bearing damaged (outer race or inner race)"."""
    if conclusion.odd:
        return "something is out of the ordinary, what is open"
    every = [condition_words(c).partition(" (") for c in (conclusion.condition, *conclusion.also)]
    if len({before for before, _, _ in every}) == 1 and all(inside for _, _, inside in every):
        return f"{every[0][0]} ({' or '.join(inside.removesuffix(')') for _, _, inside in every)})"
    return " or ".join("".join(parts) for parts in every)


def action_words(conclusion: Conclusion | None) -> str:
    """Say in a few words what to do: "clean the bearing"; for what cannot be told, the next measurement."""
    if conclusion is None:
        return "record this motor"
    action, part = conclusion.action, conclusion.part
    if conclusion.condition == "undecided" or action in ("", "none"):
        return conclusion.next_step or "measure again"
    return action if " " in action or part in ("", "none") else f"{action} the {part}"


def act_words(conclusion: Conclusion | None) -> str:
    """Say what to do as the catalogue puts it."""
    known = _known(conclusion.condition) if conclusion else None
    return known.act if known else f"{sentence(action_words(conclusion))}."


def caution_words(conclusion: Conclusion | None) -> str:
    """Give the catalogue's caution for the work that a conclusion asks for, "" when it has none."""
    known = _known(conclusion.condition) if conclusion else None
    return known.caution if known else ""


def factor(evidence: Evidence) -> str:
    """Say how much one measurement counts: how many times likelier it is under its condition than under the others, or less likely; which
    other that is, where one makes up most of them.
    """
    times = 10 ** abs(evidence.weight)
    number = "over 1000" if times > 1000 else f"{times:.0f}" if times >= 10 else f"{times:.2g}"
    other = f"if it were: {condition_words(evidence.against)}" if evidence.against else "otherwise"
    return f"{number} times {'likelier' if evidence.weight >= 0 else 'less likely'} than {other}"


def speed_words(speed: SpeedResult) -> str:
    """Say the shaft speed, its interval and where it was taken from, and what else it may be."""
    if speed.rpm is None:
        open_ = [f"{rpm:.0f} rpm ({100 * chance:.0f} %)" for rpm, chance in speed.candidates]
        return f"shaft speed not known: {' or '.join(open_)}" if open_ else "shaft speed not known"
    low, high = (None if end is None else f"{end:.0f}" for end in (speed.rpm_min, speed.rpm_max))
    ends = f", from {low} to {high} rpm" if low and high and low != high else ""
    rotors = [f"{rpm:.0f}" for rpm, _ in speed.rotors]
    apart = f"; {len(rotors)} rotors told apart: {listed(rotors)} rpm" if len(rotors) > 1 else ""
    rivals = "".join(f" or {rpm:.0f} rpm ({100 * chance:.2g} %)" for rpm, chance in speed.candidates[1:])
    return f"{with_interval(speed.rpm, speed.rpm_u95, 'rpm')} ({speed.method}{ends}){rivals}{apart}"


def settings_words(settings: Settings) -> str:
    """Say what was stated about a recording; what was not stated is named where it matters for the verdict."""
    counts = [f"{n} {name}" for name, n in (("blades", settings.blades), ("poles", settings.poles), ("slots", settings.slots)) if n]
    bearings = [f"bearing {b.balls} balls {b.ball_mm:g}/{b.pitch_mm:g} mm at {b.angle_deg:g}°" for b in settings.bearings]
    modes = [f"frame modes {', '.join(f'{mode.frequency_hz:.1f}' for mode in settings.modes)} Hz by tap test"] if settings.modes else []
    typed = [f"speed {settings.speed_rpm:g} rpm"] if settings.speed_rpm else []
    return ", ".join([TEST_WORDS[settings.test], SENSOR_WORDS[settings.sensor], *typed, *counts, *bearings, *modes])


def title_of(reading: Reading) -> str:
    """Name a reading by how the motor was turned, its speed and its length, and by what its lines look like where it was not said."""
    from vibekit.blade_count import chances_of

    chances = chances_of(reading)
    looks = f", {blades_words(chances)}" if max(chances.values(), default=0.0) >= SETTLED else ""
    return f"{TEST_WORDS[reading.settings.test]}, {speed_words(reading.speed)}, {reading.duration_s:.1f} s{looks}"


def blades_words(chances: Mapping[int, float]) -> str:
    """Say how many blades the lines of a flight look like, or that they leave it open. chances: {number: its probability}."""
    ranked = sorted(chances, key=lambda blades: -chances[blades])
    if chances[ranked[0]] >= SETTLED:
        return f"looks like {ranked[0]} blades ({100 * chances[ranked[0]]:.0f} %), which was not said"
    named = [f"{blades} ({100 * chances[blades]:.0f} %)" for blades in ranked if chances[blades] >= RIVAL]
    return f"how many blades was not said, and the lines leave it open: {listed(named)}"


def not_recorded(tests: Iterable[Test | None]) -> list[str]:
    """Name the bench tests that are not among these, in words."""
    done = set(tests)
    return [TEST_WORDS[test] for test in TESTS if test not in done and test != "flight"]


def headline(states: Mapping[str, State]) -> str:
    """Say in one or two sentences how a craft stands. states: of each motor, by position."""
    said = {
        ACT: "{} {} for work",
        WATCH: "{} {} to be watched",
        CANNOT_TELL: "what is up with {} cannot be told yet",
        NO_FAULT_FOUND: "no fault found on {} by these tests",
    }
    verbs = {ACT: ("calls", "call"), WATCH: ("is", "are")}
    sentences = []
    for state, words in said.items():
        named = [position for position, there in states.items() if there == state]
        if named:
            verb = verbs.get(state, ("", ""))[len(named) > 1]
            sentences.append(sentence(words.format(listed(named), verb)) + ".")
    return " ".join(sentences)


def sentence(words: str) -> str:
    """Begin with a capital letter."""
    return words[:1].upper() + words[1:]


def listed(words: Sequence[str]) -> str:
    """Join with commas and "and"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def decibels(value: float) -> str:
    """Write a difference in dB with its sign, the unit left out; nothing has no minus."""
    return f"{round(value, 1) + 0.0:+.1f}".replace("-", "\N{MINUS SIGN}")


def with_interval(value: float, u95: float | None, unit: str) -> str:
    """Write a number with its 95 % interval and unit: "1.234 ± 0.056 m/s²".

    The interval has two significant digits and the value ends at the same place (JCGM 100:2008, 7.2.6). Below 0.001 both share
    a power of ten. An infinite one makes the number an upper limit; without one (None or NaN) the number says so. A score states a
    chance, by Markov's inequality at most 10^-score, and has none; nor has a share of it (unit 1, interval 0).
    """
    tail = f" {unit_words(unit)}".rstrip()
    if not math.isfinite(value):
        return f"not measured{tail}"
    if unit == SCORE:
        number = f"{value:.1f}".replace("-", "\N{MINUS SIGN}")
        return f"score {number} ({f'p ≤ {10.0**-value:.1g}' if value > 0 else 'as noise'})"
    if unit == "1" and u95 == 0:
        return f"{value:.2f}"
    if u95 == math.inf:
        power = 0 if unit == "dB" else _power(abs(value))
        number = f"{value:.1f}" if unit == "dB" else f"{value / 10.0**power:.3g}"
        return f"at most {number}{f'·10{superscript(power)}' if power else ''}{tail}".replace("-", "\N{MINUS SIGN}")
    if u95 is None or not math.isfinite(u95):
        return f"{value:.4g}{tail} (interval not known)"
    power = _power(max(abs(value), abs(u95)))
    value, u95 = value / 10.0**power, u95 / 10.0**power
    places = 1 - math.floor(math.log10(u95)) if u95 > 0 else 3
    text = f"{round(value, places):z.{max(places, 0)}f} ± {round(u95, places):.{max(places, 0)}f}"
    text = text.replace("-", "\N{MINUS SIGN}")
    return f"({text})·10{superscript(power)}{tail}" if power else f"{text}{tail}"


def _power(largest: float) -> int:
    """Power of ten, a multiple of 3, that numbers up to `largest` share; 0 from 0.001 to a million."""
    return 3 * math.floor(math.log10(largest) / 3) if 0 < largest < 1e-3 or largest >= 1e6 else 0


def line_words(line: OrderLine, u95: float | None = None) -> str:
    """Write the amplitude of a line with its interval, or this one; the most that it may be where it does not clear its noise."""
    if line.at_most is not None:
        return with_interval(line.at_most, math.inf, line.unit)
    half = line.u95 if u95 is None else u95
    return with_interval(line.amplitude, half if math.isfinite(half) else None, line.unit)


def superscript(power: int) -> str:
    """Write a whole number as an exponent."""
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


def _known(condition: str) -> Condition | None:
    return next((known for known in load_catalogue().conditions if known.condition == condition), None)
