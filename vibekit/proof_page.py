"""The before-and-after document as one HTML page: a summary on its first sheet, then each motor, then how it was made."""

from typing import TYPE_CHECKING

from vibekit import plots
from vibekit.balance_plot import vectors
from vibekit.drawings import Drawing
from vibekit.frame import frame_of
from vibekit.proof import CLAIMS, Balancing, MotorProof, Pair, Proof, moved_words, summary_words, verdict_words
from vibekit.report import environment, style_sheet
from vibekit.turning import ADVICE
from vibekit.wording import TEST_WORDS

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def render_proof(proof: Proof) -> str:
    """Give the document as one HTML page; the same contents give the same text."""
    made = environment()
    made.filters |= {
        "summary": summary_words,
        "said": verdict_words,
        "moved": moved_words,
        "test": lambda pair: TEST_WORDS[pair.after[-1].settings.test],
    }
    numbers = {motor.position: number for number, motor in enumerate(proof.motors, 1)}
    return made.get_template("proof.html").render(
        proof=proof,
        sheet=style_sheet(),
        claims=CLAIMS,
        overlays=lambda motor: _overlays(motor, numbers[motor.position]),
        rounds=lambda motor: _rounds(motor, numbers[motor.position]),
        advice=f"{ADVICE} Nothing here is a permission to fly.",
    )


def _overlays(motor: MotorProof, number: int) -> list[tuple[Pair, list[Drawing]]]:
    return [(pair, _overlay(pair, f"proof-{number}-{at}")) for at, pair in enumerate(motor.pairs, 1)]


def _overlay(pair: Pair, prefix: str) -> list[Drawing]:
    before, after = pair.before[-1], pair.after[-1]
    frame = frame_of("order", [before, after])
    if frame is None or before.curve("order") is None or after.curve("order") is None:
        return []
    caption = (
        f"Order spectra before (dashed, diamonds) and after (solid, discs), {TEST_WORDS[after.settings.test]}: the last recording of each "
        "visit; whiskers are 95 % intervals."
    )
    return [_drawing(plots.before_and_after(before, after, frame), prefix, caption)]


def _rounds(motor: MotorProof, number: int) -> list[tuple[Balancing, Drawing]]:
    found = []
    for at, balancing in enumerate(motor.balancings, 1):
        job = balancing.job
        caption = (
            "1x of each round as a vector, its phase counted as lead before the tacho's mark; circles hold the true end in 95 of 100 cases."
            if job.method == "phase"
            else "1x of each round with its 95 % interval; no phase was measured."
        )
        found.append((balancing, _drawing(vectors(job), f"rounds-{number}-{at}", caption)))
    return found


def _drawing(figure: "Figure", prefix: str, caption: str) -> Drawing:
    from markupsafe import Markup

    return Drawing(caption, Markup(plots.to_svg(figure, prefix)))
