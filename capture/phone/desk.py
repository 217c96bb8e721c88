"""What all conversations with the phone share: what is asked of it, where its recordings go, and how much it may still send."""

import asyncio
import logging
import threading
import time
from pathlib import Path

from vibekit.capture.phone.limits import MOST_TOTAL
from vibekit.capture.phone.ongoing import Ongoing
from vibekit.capture.phone.plan import Answer, Delivery, Judge, Plan, Tell
from vibekit.capture.phone.stream import Stream
from vibekit.capture.phone.take import MotionTake, PhoneTake, SoundTake
from vibekit.errors import UnreadableError, VibekitError


class Desk:
    """plan: what the phone is asked for; folder: where recordings are put; about: kept with them; judge, tell: of whoever asks.

    judge runs in a thread, one recording at a time; tell gets one line for the user, from the thread that serves.
    """

    def __init__(self, plan: Plan, folder: Path, about: dict[str, str], judge: Judge, tell: Tell) -> None:
        self.plan = plan
        self.folder = folder
        self.tell = tell
        self.closing = threading.Event()  # set, from any thread, to stop serving
        self.seen = time.monotonic()
        self._about = about
        self._judge = judge
        self._spent = 0
        self.busy = False  # a recording is under way
        self.ongoing: Ongoing | None = None  # the newest take, also when it is over: its answer may not have reached the phone

    def begin(self) -> bool:
        """Take the desk for one recording; False while another is under way."""
        self.seen = time.monotonic()
        was, self.busy = self.busy, True
        return not was

    def end(self) -> None:
        """Give the desk back."""
        self.seen = time.monotonic()
        self.busy = False

    def spend(self, count: int) -> None:
        """Count bytes that come. Raises UnreadableError when it is more than one phone may send."""
        self._spent += count
        if self._spent > MOST_TOTAL:
            raise UnreadableError(f"more than {MOST_TOTAL / 1e9:.0f} GB came in all; start again for more")

    def take(self, stream: Stream, position: str | None) -> PhoneTake:
        """Give the take that a stream becomes."""
        if stream.kind == "motion":
            return MotionTake(self.folder, self.name(position), self.plan.seconds)
        about = self._about | ({"position": position} if position else {})
        return SoundTake(stream, self.folder, about, self.plan.seconds)

    def name(self, position: str | None) -> str:
        """A file name, of letters and digits only, for a recording."""
        words = "-".join(word for word in (self.plan.title, position, "phone") if word)
        return "".join(letter if letter.isalnum() else "-" for letter in words)[:80]

    async def judged(self, delivery: Delivery) -> Answer:
        """Have a recording judged. Raises VibekitError."""
        try:
            return await asyncio.to_thread(self._judge, delivery)
        except VibekitError:
            raise
        except Exception as error:
            logging.getLogger(__name__).exception("judging what the phone sent failed")
            raise UnreadableError(f"{delivery.path}: it could not be judged ({type(error).__name__}); the recording is there") from error

    async def settle(self) -> None:
        """End what is under way, and wait until it is kept."""
        if self.ongoing:
            await self.ongoing.end(None)

    def close(self, why: str) -> None:
        """Stop serving."""
        self.tell(why)
        self.closing.set()
