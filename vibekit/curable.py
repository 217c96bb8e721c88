"""What balancing cannot cure, looked for before the first trial weight."""

from collections.abc import Sequence

from vibekit.balance_job import BalanceJob
from vibekit.balance_solution import level, scatter
from vibekit.errors import UsageError
from vibekit.finding import Conclusion
from vibekit.mode import FrameMode, merged
from vibekit.obstacle import Obstacle
from vibekit.problem import CHANGES_LEVELS
from vibekit.reading import Reading
from vibekit.wording import condition_words, likelihood

UNSTEADY = 0.25  # scatter of one recording over 1x, above which nothing holds still enough (common practice, no source)
HALF_ORDERS_DB = -30.0  # re 1x, 3 %: unbalance makes no half orders at all (common practice, no source)
SEEN_DB = 4.0  # a level with a wider interval is that of noise
NEAR = 0.15  # of the speed: nearer to a mode phase turns by tens of degrees with a few per cent of speed (common practice, no source)
TWICE = 0.5  # 2x over 1x of a bare motor, from which a bent shaft is more likely than an uneven bell (common practice, no source)
ELSEWHERE = ("bent-shaft", "loose-mount", "loose-propeller", "resonance", "rub", "blade-damage", "bearing-grit", "bearing-outer",
             "bearing-inner", "bearing-ball", "bearing-cage")  # fmt: skip


def check_reading(reading: Reading) -> None:
    """Refuse a recording that is not fit for balancing. Raises UsageError with what screening found."""
    problem = next((p for p in reading.screening.problems if p.severity == "stop"), None)
    if problem is not None:
        raise UsageError(f"{reading.file}: {problem.detail}")
    if not reading.screening.levels_comparable:
        problem = next(p for p in reading.screening.problems if p.code in CHANGES_LEVELS and p.severity != "note")
        raise UsageError(f"{reading.file}: its level cannot be compared with the others: {problem.detail}")


def modes_passed(run_ups: Sequence[Reading]) -> tuple[FrameMode, ...]:
    """Give the modes of the frame that run-ups have shown."""
    found = []
    for reading in run_ups:
        values = {quantity.name: quantity for quantity in reading.quantities}
        for number in range(1, 20):
            at, damping = values.get(f"resonance {number}"), values.get(f"damping of resonance {number}")
            if at is None or damping is None:
                break
            found.append(FrameMode(at.value, at.u95, damping.value / 100, damping.u95 / 100))
    return merged(found)


def find_obstacles(
    job: BalanceJob,
    readings: Sequence[Reading],
    bare: Sequence[Reading] = (),
    modes: Sequence[FrameMode] = (),
    conclusion: Conclusion | None = None,
) -> tuple[Obstacle, ...]:
    """Find reasons why balancing cannot help, once the rotor was recorded as found.

    readings: of the rotor as found; bare: of the same motor without propeller, where there are any
    modes: of the frame, from a run-up or a tap test; conclusion: what the archive's comparison says of this motor
    """
    found = []
    first = level(job, job.rounds[0])
    share = scatter(job) / abs(first.value) if first.value else 0.0
    if share > UNSTEADY:
        reason = f"1x differs by {100 * share:.2g} % from recording to recording at the same speed."
        act = "find what is loose, motor screws, propeller, sensor or stand, and begin again; or take back a recording of another state"
        found.append(Obstacle("unsteady", reason, act))
    for reading in readings:
        half, once = reading.quantity("half orders"), reading.quantity("1x")
        if half and once and half.u95 < SEEN_DB and half.value - once.value > HALF_ORDERS_DB:
            reason = f"half orders stand only {once.value - half.value:.0f} dB below 1x: something knocks in its play."
            found.append(Obstacle("loose", reason, "tighten the motor screws and the propeller, then record again"))
            break
    for reading in bare:
        first_order, second = (next((line for line in reading.orders if line.name == name), None) for name in ("1x", "2x"))
        if first_order and second and second.amplitude - second.u95 > TWICE * first_order.amplitude:
            ratio = second.amplitude / first_order.amplitude
            reason = f"without propeller 2x is {ratio:.1f} times 1x: a bent shaft gives both, a heavy spot 1x alone."
            found.append(Obstacle("bent-shaft", reason, "check the shaft for running true and replace it"))
            break
    for mode, rpm in ((mode, rpm) for mode in modes for rpm in job.references_rpm):
        away = 60 * mode.frequency_hz / rpm - 1
        if abs(away) <= NEAR:
            reason = (
                f"a mode of the frame at {mode.frequency_hz:.1f} ± {mode.frequency_u95_hz:.1f} Hz lies {100 * abs(away):.0f} % "
                f"{'above' if away > 0 else 'below'} the shaft: there amplitude and phase turn with the smallest change of speed."
            )
            found.append(Obstacle("resonance", reason, "balance at a speed at least 15 % away from that mode, or clamp the arm otherwise"))
            break
    if conclusion is not None and conclusion.condition in ELSEWHERE:
        words = condition_words(conclusion.condition)
        reason = f"the readings in the archive say: {words}, {likelihood(conclusion.probability)}."
        found.append(Obstacle(conclusion.condition, reason, f"mend that first: {conclusion.action} ({conclusion.part})"))
    return tuple(found)
