"""A second opinion on a shaft speed that the recording leaves open: what pYIN hears, a method that shares nothing with ours.

It follows the period of the wave itself (Mauch & Dixon, Proc. ICASSP 2014, 659-663; librosa's implementation) and is no judge of its own:
a wave repeats every turn, every blade, or every second turn, and where order 1 is faint the blades are what it hears. librosa is needed.
"""

from dataclasses import dataclass

import numpy as np

from vibekit.errors import UsageError
from vibekit.normal import Z95
from vibekit.recording import Recording
from vibekit.settings import Settings, feels_propeller
from vibekit.speed import SpeedTrack
from vibekit.transform import Transform

TOP_HZ = 1200.0
SLOWEST_HZ, FASTEST_HZ = 12.0, 900.0  # of what is listened for
FRAME, HOP = 1024, 512  # samples of the decimated band, 0.34 s
HEARD = 0.3  # share of frames with a pitch, below which nothing was heard
NEAR = 0.015  # twice the step of its pitches, 0.6 %, and what a shaft wanders


@dataclass(frozen=True, slots=True)
class SecondOpinion:
    """What pYIN hears beside what we say.

    hz: median pitch, None where too little has one; u95_hz: half width of its 95 % interval, from the spread between frames and their step
    share: of the frames that have a pitch
    rpm: the speed that it speaks for, of those that came into question; None where it fits none of them
    order: of that speed, at which the pitch lies: 1 the shaft, the number of blades their pass
    """

    hz: float | None
    u95_hz: float | None
    share: float
    rpm: float | None
    order: int | None

    @property
    def words(self) -> str:
        """Say it in a line."""
        if self.hz is None:
            return f"pYIN hears no pitch ({100 * self.share:.0f} % of the frames have one)"
        heard = f"pYIN hears {self.hz:.1f} ± {self.u95_hz:.1f} Hz"
        if self.rpm is None:
            return f"{heard}, which is neither the shaft nor the blade pass at any speed that came into question"
        return f"{heard}: {'the shaft' if self.order == 1 else f'order {self.order}, the blade pass,'} at {self.rpm:.0f} rpm"


def second_opinion(recording: Recording, settings: Settings, track: SpeedTrack | None, part: slice | None = None) -> SecondOpinion:
    """Ask pYIN about the first vibration channel; of several speeds that its pitch fits it speaks for our likeliest.

    track: what was found, with its rivals; part: samples to look at
    Raises UsageError without librosa, or without a vibration channel.
    """
    try:
        import librosa
    except ImportError:
        raise UsageError("a second opinion needs librosa; install it with: pip install 'vibekit[opinion]'") from None
    rows = recording.rows("vibration")
    if not rows:
        raise UsageError("a second opinion needs a vibration channel, and this recording has none; see --roles")
    band, rate = Transform.of(recording.samples[rows[0], part or slice(None)], recording.rate_hz).low_band(
        min(TOP_HZ, 0.4 * recording.rate_hz)
    )
    if len(band) < 4 * FRAME:
        return SecondOpinion(None, None, 0.0, None, None)
    pitch, voiced, _ = librosa.pyin(
        band.astype(np.float32), sr=rate, fmin=SLOWEST_HZ, fmax=min(FASTEST_HZ, 0.4 * rate), frame_length=FRAME, hop_length=HOP
    )
    share = float(voiced.mean())
    if share < HEARD:
        return SecondOpinion(None, None, share, None, None)
    heard = pitch[voiced]
    hz = float(np.median(heard))
    u95 = float(np.hypot(0.95 * NEAR / 4 * hz, Z95 * 1.25 * 1.48 * np.median(np.abs(heard - hz)) / np.sqrt(heard.size)))
    orders = (1, settings.blades) if settings.blades else (1,) if not feels_propeller(settings.test) else (1, 2, 3, 4, 5)
    speeds = ((track.mean_hz, 1.0), *track.rivals) if track else ()
    fits = [(speed, order) for speed, _ in speeds for order in orders if abs(hz / (order * speed) - 1) < NEAR]
    speed, order = fits[0] if fits else (None, None)
    return SecondOpinion(hz, u95, share, speed and 60 * speed, order)
