"""What a phone is asked for by the window, and what it brings. No Qt."""

from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vibekit.errors import UnreadableError, UsageError
from vibekit.gui.session import Session, Stated
from vibekit.marks import CANNOT_TELL
from vibekit.recording import Sensor
from vibekit.turning import ADVICE, BLADES, HANDS, POWER
from vibekit.wording import TEST_WORDS, sentence

WAIT_S = 600.0
USUAL_S = 20.0
HOW = "Phone on a stand a hand's breadth from the motor, its microphone towards it, at the same place for each motor, never in the hand."


@dataclass(frozen=True, slots=True)
class Came:
    """A recording from the phone. sensor: what listened, None for a file that the phone brought."""

    path: Path
    stated: Stated
    sensor: Sensor | None


@dataclass(frozen=True, slots=True)
class Serving:
    """A server that listens. serve: to be run in a loop of its own; stop: from any thread."""

    url: str
    squares: tuple[tuple[bool, ...], ...]
    fingerprint: str
    serve: Callable[[], Coroutine[Any, Any, None]]
    stop: Callable[[], None]


def open_server(session: Session, stated: Stated, came: Callable[[Came], None], tell: Callable[[str], None]) -> Serving:
    """Listen for one phone. came: called from another thread with each recording. Raises UsageError, UnreadableError."""
    try:
        from vibekit.capture.phone.address import own_address
        from vibekit.capture.phone.desk import Desk
        from vibekit.capture.phone.plan import Answer, Delivery
        from vibekit.capture.phone.server import PhoneServer
    except ImportError as error:
        raise UnreadableError(f"{error.name} is missing; `pip install 'vibekit[capture]'` installs what a phone needs") from None
    address = own_address()
    if address is None:
        raise UsageError("this computer is in no network that a phone could reach; join one")

    def judge(delivery: Delivery) -> Answer:
        came(Came(delivery.path, stated, delivery.sensor))
        state = CANNOT_TELL
        words = "It is on the computer; what it says stands in the window there."
        return Answer(
            state.code, state.glyph, "Received", words, "Keep it there, or record again here.", "", delivery.notes, delivery.path.name
        )

    about = {
        "craft": session.bench.name if session.bench else "",
        "position": stated.position,
        "test": stated.test or "",
        "setup": stated.setup,
    }
    desk = Desk(_plan(session, stated), session.place.takes, {k: v for k, v in about.items() if v}, judge, tell)
    server = PhoneServer(desk, address)
    return Serving(server.link.url, server.link.squares, server.link.fingerprint, lambda: server.serve(WAIT_S), desk.closing.set)


def _plan(session: Session, stated: Stated) -> Any:
    from vibekit.capture.files import EXTENSIONS
    from vibekit.capture.phone.plan import Plan

    bench = session.bench
    way = bench.craft.way if bench else None
    by_hand = stated.test == "hand-spin"
    step = next((step.how for step in way.plan if step.test == stated.test), "") if way else ""
    cautions = HANDS if by_hand else way.cautions if way else (*HANDS, *POWER, *BLADES)
    return Plan(
        title=bench.name if bench else "",
        positions=(stated.position,),
        task=f"{stated.position}: {sentence(TEST_WORDS[stated.test])}",
        how=f"{step} {HOW}".strip(),
        cautions=(*cautions, ADVICE),
        seconds=None if by_hand else USUAL_S,
        motion=by_hand,
        extensions=EXTENSIONS,
    )
