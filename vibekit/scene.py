"""The demo's scene: the Wren-4 of the Lerchenfeld Rotor Bench in Amsel, invented; its recordings come from the rig."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from vibekit.craft import Craft, Hand, Motor, MotorBearing, Propeller, Rotor
from vibekit.rig import Fault, RigCraft, draw_craft, record
from vibekit.settings import Test

SEED = 17
POSITIONS = ("north-east", "south-east", "south-west", "north-west")
HURT = {1: Fault("blade-damage", 6.0, 1), 2: Fault("bearing-grit", 6.0, 2), 3: Fault("loose-mount", 6.0, 3)}
PLAN: tuple[tuple[Test, int], ...] = (("bare", 2), ("prop", 2))
APART = timedelta(days=34)
ANSWERS = """\
battery-out = "yes"
props-off = "yes"

[north-east]
prop-edge = "clean"
motor-turn = "free"

[south-east]
prop-edge = { answer = "nicked", note = "about 4 mm in from the tip, felt rather than seen" }
prop-cracks = "none"
motor-turn = "free"

[south-west]
prop-edge = "clean"
motor-turn = "rough"
motor-axial = "slight"

[north-west]
prop-edge = "clean"
motor-turn = "free"
"""


@dataclass(frozen=True, slots=True)
class Take:
    """One recording of the scene: which rotor, under which test, when, and where its file is."""

    position: str
    test: Test
    taken_at: datetime
    path: Path


def bench_craft() -> RigCraft:
    """The craft as the rig turns it."""
    return draw_craft(SEED)


def described() -> Craft:
    """The craft as its owner describes it."""
    rig = bench_craft()
    bearing = MotorBearing(balls=rig.bearing.balls, ball_mm=round(rig.bearing.ball_mm, 3), pitch_mm=round(rig.bearing.pitch_mm, 3))
    motor = Motor(poles=rig.poles, slots=rig.slots, bearings=(bearing, bearing))
    propeller = Propeller(blades=rig.blades, diameter_mm=round(1000 * rig.diameter_m), mass_g=round(rig.prop_g, 1))
    hands: tuple[Hand, Hand] = ("clockwise", "counter-clockwise")
    rotors = tuple(Rotor(position, hand=hands[i % 2], motor=motor, propeller=propeller) for i, position in enumerate(POSITIONS))
    return Craft(name="Wren-4", owner="J. Amsler", job="LRB-118", turned="bench-controller", rotors=rotors)


def speed_rpm() -> int:
    """What the bench controller shows."""
    return 10 * round(bench_craft().test_rpm / 10)


def make_recordings(folder: Path) -> Iterator[Take]:
    """Write the recordings, one by one: all four rotors sound, then, weeks later and after a hard landing, three of them hurt."""
    import soundfile

    today = datetime.now(UTC).replace(microsecond=0)
    craft = bench_craft()
    folder.mkdir(parents=True, exist_ok=True)
    for visit, (name, taken_at) in enumerate((("sound", today - APART), ("landed", today))):
        for rotor, position in enumerate(POSITIONS):
            for test, count in PLAN:
                for number in range(count + (visit == 0)):
                    fault = HURT.get(rotor) if visit else None
                    recording, _ = record(craft, rotor=rotor, test=test, fault=fault, take=100 * visit + 10 * rotor + number)
                    path = folder / f"{name}-{position}-{test}-{number + 1}.wav"
                    soundfile.write(path, recording.samples.T, round(recording.rate_hz), subtype="FLOAT")
                    yield Take(position, test, taken_at, path)
