"""The questions of the eye-and-hand check, in the order in which they are asked, with what each answer speaks for and what to do.

What an answer is worth is a judgement of the bench (common practice, no source), as log10 of a likelihood ratio: WEAK, CLEAR or STRONG.
"""

from dataclasses import dataclass
from typing import Literal

from vibekit.craft import Craft, Rotor
from vibekit.errors import UsageError

WEAK, CLEAR, STRONG = 0.3, 0.7, 1.5
BEARING = ("bearing-grit", "bearing-outer", "bearing-inner", "bearing-ball", "bearing-cage")
Subject = Literal["craft", "propeller", "motor", "bench"]
Stage = Literal["safe", "as found", "off", "in hand", "motor", "bench"]

CAUTIONS = (
    "Battery out and away from the craft before anything is touched.",
    "Look first at how each propeller sits; then all propellers come off for the rest of the check.",
    "Broken blades and burred edges cut: hold a propeller by its hub. Eye protection on.",
    "Swollen, hot or smelling lithium pack: stop, outdoors with it, away from anything that burns.",
    "The maker's instructions, local rules and licensed practice come before anything said here.",
)
REPLACE = (
    "Replace the propeller, never repair it, and replace it in pairs (common practice, no source); the maker's instructions come first."
)
REPLACE_FOLDING = "Replace both blades as one matched pair, never one alone; the maker's instructions come first."


@dataclass(frozen=True, slots=True)
class Choice:
    """One allowed answer.

    word: as typed and kept; text: in words; speaks_for, speaks_against: conditions; strength: of that, log10 of a likelihood ratio
    advice: what to do, "" for nothing; stop: the part is not to be run until that is done
    """

    word: str
    text: str
    speaks_for: tuple[str, ...] = ()
    speaks_against: tuple[str, ...] = ()
    strength: float = 0.0
    advice: str = ""
    stop: bool = False


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `choices` is empty where a measurement is typed; `form` then shows how."""

    id: str
    subject: Subject
    stage: Stage
    text: str
    choices: tuple[Choice, ...] = ()
    form: str = ""
    only: Literal["", "folding", "ducted"] = ""

    def choice(self, word: str) -> Choice:
        """Give the answer of this word. Raises UsageError."""
        found = next((choice for choice in self.choices if choice.word == word), None)
        if found is None:
            raise UsageError(f"{self.id} is {word!r}; choose one of {', '.join(repr(choice.word) for choice in self.choices)}")
        return found


@dataclass(frozen=True, slots=True)
class Asked:
    """A question put to one rotor, or to the craft when `position` is ""."""

    position: str
    question: Question


QUESTIONS: tuple[Question, ...] = (
    Question(
        "battery-out", "craft", "safe", "Is the battery out and away from the craft?",
        (
            Choice("yes", "the battery is out"),
            Choice("no", "the battery is still in", advice="Take the battery out before anything is touched.", stop=True),
        ),
    ),
    Question(
        "prop-tight", "propeller", "as found",
        "As it was found: hold the bell, try to turn and to rock the propeller. Is it tight on its shaft?",
        (
            Choice("tight", "propeller tight on its shaft", (), ("loose-propeller",), CLEAR),
            Choice("slips", "propeller slips on its shaft", ("loose-propeller",), (), STRONG,
                   "Clean seat and shaft, refit and tighten as the maker says, then measure again.", True),
            Choice("rocks", "propeller rocks on its shaft", ("loose-propeller",), (), STRONG,
                   "Look for a worn bore, refit and tighten as the maker says, then measure again.", True),
        ),
    ),
    Question(
        "prop-hand", "propeller", "as found", "Is it the propeller of the right hand: does its higher, blunter edge go first?",
        (
            Choice("right", "propeller of the right hand"),
            Choice("wrong", "propeller of the wrong hand", advice="Fit the one of the right hand before any run.", stop=True),
            Choice("unsure", "hand of the propeller not certain", advice="Compare with the maker's drawing before it is run."),
        ),
    ),
    Question(
        "duct-gap", "propeller", "as found", "Turn it by hand inside its duct: is the gap even all the way round?",
        (
            Choice("even", "even gap to the duct", (), ("rub",), WEAK),
            Choice("touches", "a tip touches the duct", ("rub",), (), STRONG, "Straighten or replace the duct; look for a bent arm.", True),
        ),
        only="ducted",
    ),
    Question(
        "props-off", "craft", "off", "Are all propellers off now, each marked with its place?",
        (
            Choice("yes", "all propellers are off"),
            Choice("no", "propellers are still on", advice="Take all propellers off before the motors are turned by hand.", stop=True),
        ),
    ),
    Question(
        "prop-edge", "propeller", "in hand", "Run a fingertip slowly along each edge and tip: how are they?",
        (
            Choice("clean", "edges and tips clean", (), ("blade-damage",), CLEAR),
            Choice("nicked", "nick in an edge or tip", ("blade-damage", "prop-imbalance"), (), CLEAR, REPLACE, True),
            Choice("bent", "a blade is bent or twisted", ("blade-damage", "prop-imbalance"), (), CLEAR, REPLACE, True),
            Choice("piece-gone", "a piece of a blade is gone", ("blade-damage", "prop-imbalance"), (), STRONG, REPLACE, True),
        ),
    ),
    Question(
        "prop-cracks", "propeller", "in hand", "Bend each blade a little under a bright light: do lines show?",
        (
            Choice("none", "no crack lines", (), ("blade-damage",), WEAK),
            Choice("crack", "crack line in a blade", ("blade-damage",), (), STRONG, REPLACE, True),
        ),
    ),
    Question(
        "prop-root", "propeller", "in hand", "Look at the root of each blade: is the material whitened there?",
        (
            Choice("even", "roots of even colour", (), ("blade-damage",), WEAK),
            Choice("whitened", "whitened at a blade's root: it was bent too far once", ("blade-damage",), (), CLEAR, REPLACE, True),
        ),
    ),
    Question(
        "fold-hinge", "propeller", "in hand", "Swing each folding blade: how do the hinges go?",
        (
            Choice("free", "hinges free and without play", (), ("loose-propeller",), WEAK),
            Choice("stiff", "a hinge is stiff: its blade may not open fully", ("prop-imbalance",), (), CLEAR,
                   "Clean the hinge and set it as the maker says; both blades must swing alike.", True),
            Choice("slack", "a hinge has play", ("loose-propeller", "prop-imbalance"), (), CLEAR, REPLACE_FOLDING, True),
        ),
        only="folding",
    ),
    Question(
        "fold-pair", "propeller", "in hand", "Do the two blades bear the same mark: are they a matched pair?",
        (
            Choice("matched", "blades are a matched pair", (), ("prop-imbalance",), WEAK),
            Choice("mixed", "blades are not a matched pair", ("prop-imbalance", "blade-damage"), (), CLEAR, REPLACE_FOLDING, True),
            Choice("unsure", "not known whether the blades are a pair"),
        ),
        only="folding",
    ),
    Question(
        "motor-mount", "motor", "motor", "Grip the motor's base and rock it: does it move on its arm?",
        (
            Choice("fast", "motor fast on its arm", (), ("loose-mount",), CLEAR),
            Choice("moves", "motor moves on its arm", ("loose-mount",), (), STRONG,
                   "Tighten the mounting screws as the maker says, thread lock if the maker asks for it; look for a cracked arm.", True),
        ),
    ),
    Question(
        "motor-gap", "motor", "motor", "Look through its openings with a light: is anything between bell and winding?",
        (
            Choice("clean", "gap clean"),
            Choice("grit", "grit or swarf in the gap", ("bearing-grit", "rub"), (), CLEAR,
                   "Take it out with tape or putty and a soft brush; compressed air drives it into the bearings."),
            Choice("magnet", "a magnet is chipped or has moved", ("rub", "rotor-imbalance", "electrical"), (), STRONG,
                   "Replace the motor.", True),
        ),
    ),
    Question(
        "motor-turn", "motor", "motor",
        "Turn the bell slowly, its wires touching nothing. Even magnetic steps are normal. How does it go otherwise?",
        (
            Choice("free", "turns freely by hand", (), (*BEARING, "rub"), WEAK),
            Choice("rough", "turns roughly by hand", BEARING, (), CLEAR,
                   "Clean it and turn again; if it stays rough, replace bearings or motor."),
            Choice("stiff", "turns stiffly by hand", ("rub", "bearing-grit", "electrical"), (), CLEAR,
                   "See that no two wires touch, then look for what rubs; replace bearings or motor if none does."),
            Choice("stuck", "does not turn", ("rub", "bearing-cage"), (), STRONG, "Do not give it power: find what holds it.", True),
        ),
    ),
    Question(
        "motor-axial", "motor", "motor", "Push and pull the bell along its shaft: how much does it move?",
        (
            Choice("none", "no play along the shaft", (), BEARING, WEAK),
            Choice("slight", "slight play along the shaft, which may be normal for this motor"),
            Choice("much", "much play along the shaft", BEARING, (), CLEAR,
                   "Look for a lost clip or shaft screw before the bearings are blamed.", True),
        ),
    ),
    Question(
        "motor-wobble", "motor", "motor", "Watch the bell's edge against something fixed while it turns, then tip the bell sideways.",
        (
            Choice("true", "bell runs true and does not tip", (), ("bent-shaft",), CLEAR),
            Choice("wobbles", "bell wobbles as it turns", ("bent-shaft", "rotor-imbalance"), (), CLEAR, "Replace shaft or motor.", True),
            Choice("shaft-bent", "the shaft itself is bent", ("bent-shaft",), (), STRONG, "Replace shaft or motor.", True),
            Choice("tips", "bell tips sideways in its bearings", BEARING, (), CLEAR, "Replace bearings or motor.", True),
        ),
    ),
    Question(
        "motor-rub", "motor", "motor", "Turn it close to the ear: does anything touch?",
        (
            Choice("nothing", "nothing touches", (), ("rub",), CLEAR),
            Choice("once-a-turn", "something touches once a turn", ("rub",), (), STRONG,
                   "Find the place: bell, screw, wire or duct; do not run it.", True),
            Choice("all-round", "a scrape all the way round", ("rub", "bearing-grit"), (), CLEAR,
                   "Look for grit in the gap and clean it out.", True),
        ),
    ),
    Question(
        "motor-screws", "motor", "motor", "Look at the ends of the mounting screws: do they reach the winding?",
        (
            Choice("clear", "screws end clear of the winding", (), ("rub",), WEAK),
            Choice("touch", "a screw reaches the winding", ("rub", "electrical"), (), STRONG,
                   "Fit shorter screws; have the winding's insulation checked before it gets power.", True),
            Choice("hidden", "the screw ends cannot be seen",
                   advice="Measure screw and arm: the screw may go into the motor no farther than its maker says."),
        ),
    ),
    Question("no-load-current", "bench", "bench", "Current of the motor running bare, at a stated speed?", form="0.42 A at 6000 rpm"),
    Question("case-temperature", "bench", "bench", "Temperature of the motor's case after the same run as the others, and of the air?",
             form="48 C in air of 22 C"),
    Question("phase-resistance", "bench", "bench", "Resistance between the three pairs of motor wires?", form="105 104 106 mohm, +- 1"),
)  # fmt: skip
BENCH_CAUTION = (
    "These need power: take them before or after this check, propellers off, craft clamped; battery out again before hands come near."
)
HEADS: dict[Stage, str] = {
    "safe": "First",
    "as found": "propeller, as it was found",
    "off": "Propellers off",
    "in hand": "propeller, in the hand",
    "motor": "motor, by hand",
    "bench": "bench readings",
}


def hint_for(asked: Asked, craft: Craft) -> str:
    """Say what the craft's description knows that helps to answer, "" when nothing."""
    if not asked.position:
        return ""
    rotor = craft.rotor(asked.position)
    if asked.question.id == "prop-hand" and rotor.hand:
        return f"this one turns {rotor.hand}, seen from above"
    if asked.question.id == "motor-screws" and rotor.motor.screw_too_long:
        return f"by the description they are too long: {rotor.motor.screw_mm:g} mm, {rotor.motor.screw_room_mm:g} mm allowed"
    return ""


def questions_for(craft: Craft) -> tuple[Asked, ...]:
    """Give the questions for a craft in order: first what keeps hands safe, then each propeller, then each motor, then bench readings."""
    stages: tuple[Stage, ...] = ("safe", "as found", "off", "in hand", "motor", "bench")
    asked: list[Asked] = []
    for stage in stages:
        here = [question for question in QUESTIONS if question.stage == stage]
        asked += [Asked("", question) for question in here if question.subject == "craft"]
        asked += [
            Asked(rotor.position, question)
            for rotor in craft.rotors
            for question in here
            if question.subject != "craft" and _applies(question, rotor)
        ]
    return tuple(asked)


def question_of(id: str) -> Question:
    """Give the question of this id. Raises UsageError."""
    found = next((question for question in QUESTIONS if question.id == id), None)
    if found is None:
        raise UsageError(f"question is {id!r}; known are {', '.join(question.id for question in QUESTIONS)}")
    return found


def _applies(question: Question, rotor: Rotor) -> bool:
    return not question.only or getattr(rotor.propeller, question.only) is True
