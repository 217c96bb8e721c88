import numpy as np
import pytest

from tests.shaft_sounds import orders
from vibekit.errors import UsageError
from vibekit.recording import Channel, Recording
from vibekit.settings import Settings
from vibekit.speed import find_speed
from vibekit.tacho import edges, read_pulses, told_marks
from vibekit.track import Track


def pulse_train(turns, width=0.03):
    """Voltage of one pulse a turn, band-limited to one sample by the area of the pulse that each sample sees. turns: (n,) ascending."""
    step = np.gradient(turns)
    inside = np.clip((turns % 1) / step, 0, 1) - np.clip(((turns % 1) - width) / step, 0, 1)
    return np.where(turns % 1 < width + step, inside, 0.0)


def recording(voltage, rate):
    return Recording(np.atleast_2d(voltage).astype(np.float32), rate, (Channel("tacho", "V"),))


def steady(hz=83.3, seconds=4.0, rate=24_000):
    return hz * np.arange(int(seconds * rate)) / rate + 0.37


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("width", [0.004, 0.03, 0.4])
def test_speed_comes_out_to_parts_in_a_million_whatever_the_pulse(polarity, width):
    voltage = 2.0 + polarity * 3.3 * pulse_train(steady(), width)
    track = find_speed(recording(voltage, 24_000), Settings())
    assert track.method == "tacho"
    assert track.mean_hz == pytest.approx(83.3, rel=5e-6)
    assert (track.missed, track.doubled) == (0, 0)


def test_edges_lie_between_samples():
    turns = steady()
    time = edges(pulse_train(turns), 24_000)
    whole = np.round(time * 83.3 + 0.37)
    assert np.abs(time - (whole - 0.37) / 83.3).max() < 0.6 / 24_000  # the pulse starts within the sample that first sees it
    assert np.std(time - whole / 83.3) < 0.1 / 24_000  # and by nearly the same part of a sample: 0.07 is what a straight line leaves


def test_three_pulses_of_a_constant_acceleration_give_its_angle():
    """Fyfe & Munck, Mech. Syst. Signal Process. 11 (1997) 187-205: 10 Hz and 5 Hz/s, pulses at 0, 0.0976177 and 0.1908902 s."""
    track = Track.through(np.array([0.0, 0.0976177, 0.1908902]), np.arange(3.0))
    assert track.turns([0.04939015, 0.14476106]) == pytest.approx([0.5, 1.5], abs=1e-6)
    assert track.at([0.0, 0.1908902]) == pytest.approx([10.0, 10.9544512], rel=1e-6)  # v^2 = 100 + 2 x 5 x 2


def test_between_pulses_the_turn_is_exactly_one():
    time = np.cumsum(np.random.default_rng(1).uniform(0.009, 0.011, 200))
    track = Track.through(time, np.arange(200.0))
    assert track.turns(time) == pytest.approx(np.arange(200.0), abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_missed_and_doubled_pulses_are_put_right_and_counted(seed):
    rng = np.random.default_rng(seed)
    turns = steady()
    voltage = pulse_train(turns)
    lost = rng.choice(np.arange(20, 300, 12), 6, replace=False)
    twice = rng.choice(np.setdiff1d(np.arange(26, 300, 12), lost), 4, replace=False)
    for turn in lost:
        voltage[(turns > turn - 0.1) & (turns < turn + 0.3)] = 0
    for turn in twice:
        voltage[(turns > turn + 0.15) & (turns < turn + 0.2)] = 1
    track = find_speed(recording(voltage, 24_000), Settings())
    assert (track.missed, track.doubled) == (6, 4)
    assert track.mean_hz == pytest.approx(83.3, rel=2e-5)
    assert track.hz == pytest.approx(83.3, rel=5e-3)


def test_ringing_and_noise_count_each_pulse_once():
    rng = np.random.default_rng(3)
    turns = steady()
    voltage = pulse_train(turns) + 0.05 * rng.standard_normal(turns.size)
    start = np.flatnonzero((voltage[:-1] < 0.5) & (voltage[1:] >= 0.5))
    ring = 0.25 * np.exp(-np.arange(12) / 4) * np.cos(np.arange(12) * 2.0)
    for at in start[:-1]:
        voltage[at + 1 : at + 13] += ring
    pulses = read_pulses(voltage, 24_000)
    assert pulses.time_s.size == np.floor(turns[-1])
    assert (pulses.missed, pulses.doubled) == (0, 0)


def test_one_spike_ten_times_as_high_hides_no_pulse():
    voltage = pulse_train(steady())
    voltage[12_345] = 10
    track = find_speed(recording(voltage, 24_000), Settings())
    assert track.mean_hz == pytest.approx(83.3, rel=1e-4)


def test_a_run_up_is_followed_pulse_by_pulse():
    rate, n = 24_000, 8 * 24_000
    time = np.arange(n) / rate
    hz = 10 + 23.75 * time
    track = find_speed(recording(pulse_train(np.cumsum(hz) / rate, 0.02), rate), Settings(test="run-up"))
    inside = (time > track.time_s[1]) & (time < track.time_s[-2])
    assert track.at(time[inside]) == pytest.approx(hz[inside], rel=4e-3)  # a tenth of a sample at 200 Hz
    assert (track.missed, track.doubled) == (0, 0)


def pulses_at(time, rate, n):
    """Voltage (n,) of pulses four samples long, each sample the part of its time that the pulse fills."""
    voltage = np.zeros(n)
    first = np.floor(time * rate).astype(int)
    part = 1 - (time * rate - first)
    voltage[first] = part
    voltage[first[:, None] + np.arange(1, 4)] = 1
    voltage[first + 4] = 1 - part
    return voltage


def test_the_interval_covers_the_mean_with_jittered_edges():
    """Pulse times scattered by 2 % of a turn: 95 % of intervals hold the truth once the clock's 100 ppm are taken out again."""
    rng, rate, held = np.random.default_rng(9), 5_000, []
    for _ in range(300):
        count, hz = int(rng.integers(30, 200)), rng.uniform(20, 200)
        time = 0.01 + (np.arange(count) + 0.02 * rng.standard_normal(count)) / hz
        track = find_speed(recording(pulses_at(time, rate, int((time[-1] + 0.02) * rate)), rate), Settings())
        random = np.sqrt(track.u95_hz**2 - (1e-4 * track.mean_hz) ** 2)
        held.append(abs(track.mean_hz - hz) < random)
    assert 0.92 < np.mean(held) < 0.98


# several marks a turn

WHEELS = {
    "two": [0.0, 0.47],
    "three": [0.0, 0.2, 0.55],
    "tape beside tape": [0.0, 0.06, 0.5],
    "a ring with one lacking": [k / 12 for k in range(11)],
    "a printed ring": [k / 6 + 0.01 * (k == 1) - 0.006 * (k == 5) for k in range(6)],
}


def passings(place, rate_hz, seconds, speed_hz, jitter_s=0.0, seed=0):
    """Times at which marks pass and the angle of each, for a speed at the samples; (n,) each."""
    turns = np.concatenate(([0.0], np.cumsum(speed_hz) / rate_hz))
    angle = (np.arange(int(turns[-1]))[:, None] + place).ravel()
    time = np.interp(angle, turns, np.arange(turns.size) / rate_hz)
    return 0.02 + time + jitter_s * np.random.default_rng(seed).standard_normal(time.size), angle


def speeding(kind, rate, seconds):
    time = np.arange(int(rate * seconds)) / rate
    return {"steady": 60 + 0 * time, "wandering": 60 + 3 * np.sin(2 * time), "run-up": 15 + 18 * time}[kind]


@pytest.mark.parametrize("kind", ["steady", "wandering", "run-up"])
@pytest.mark.parametrize("wheel", WHEELS)
def test_marks_at_unequal_spacing_tell_how_many_they_are_and_where(wheel, kind):
    """The speed comes out as if the marks were where they are; six of each were lost and doubled."""
    rate, seconds, place = 48_000, 8.0, np.array(WHEELS[wheel])
    time, angle = passings(place, rate, seconds, speeding(kind, rate, seconds))
    rng = np.random.default_rng(len(wheel))
    lost = rng.choice(np.arange(4 * place.size, time.size - 4 * place.size, 5 * place.size + 1), 6, replace=False)
    twice = np.setdiff1d(np.arange(6 * place.size, time.size - 4 * place.size, 5 * place.size + 1), lost)[3:9]
    gap = np.diff(time, append=2 * time[-1] - time[-2])
    seen = np.sort(np.concatenate([np.delete(time, lost), time[twice] + 0.3 * gap[twice]]))
    pulses = read_pulses(pulses_at(seen, rate, int((seconds + 0.1) * rate)), rate)
    assert (pulses.marks, pulses.missed, pulses.doubled) == (place.size, 6, 6)
    first = int(np.argmax(np.diff(place, append=1.0)) + 1) % place.size
    assert pulses.has_origin
    assert pulses.place == pytest.approx(np.sort((place - place[first]) % 1), abs=3e-4)  # a quarter of a sample at 60 Hz
    true = np.interp(pulses.time_s, time, angle)
    away = pulses.turns - (true - true[0])
    assert np.quantile(np.abs(away), 0.98) < 0.6 / rate * speeding(kind, rate, seconds).max()  # of a sample: as exact as one edge
    track = find_speed(recording(pulses_at(seen, rate, int((seconds + 0.1) * rate)), rate), Settings())
    assert (track.missed, track.doubled) == (6, 6)
    assert any(f"{place.size} marks a turn, as their spacing shows" in note for note in track.notes)
    middle = speeding(kind, rate, seconds)[rate : 7 * rate : 480]
    assert track.at(0.02 + 1 + np.arange(middle.size) / 100) == pytest.approx(middle, rel=0.02)


def test_the_interval_of_a_marks_place_holds():
    """40 records of 30 turns, six marks: 200 places, marks jittered by half a percent of a turn. 95 % less three standard errors."""
    held, place = [], np.sort(np.array([0.0, 0.15, 0.34, 0.5, 0.66, 0.79]))
    for seed in range(40):
        time, _ = passings(place, 24_000, 0.52, np.full(12_480, 60.0), 0.005 / 60, seed)
        pulses = read_pulses(pulses_at(time, 24_000, 13_500), 24_000, 6)
        held += (np.abs(pulses.place - place) < 1.96 * pulses.place_sd)[1:].tolist()
    assert 0.90 <= np.mean(held) <= 0.995


def test_marks_alike_are_counted_as_stated_or_as_the_typed_speed_says():
    time, _ = passings(np.arange(4) / 4, 24_000, 5.0, np.full(120_000, 50.0))
    once = recording(pulses_at(time, 24_000, 122_000), 24_000)
    assert find_speed(once, Settings()).mean_hz == pytest.approx(200, rel=1e-4)  # nothing tells them from one mark of a faster shaft
    for settings, why in ((Settings(marks=4), "as stated"), (Settings(speed_rpm=2_970), "as the typed speed says")):
        track = find_speed(once, settings)
        assert track.mean_hz == pytest.approx(50, rel=1e-4)
        assert not track.has_origin
        assert any(f"4 marks a turn, {why}" in note for note in track.notes)
    assert find_speed(once, Settings(speed_rpm=4_500)).contradiction == "typed 4500 rpm, the tacho gives 12000 pulses a minute"


def test_the_vibration_asks_for_the_marks_where_pulses_are_alike():
    rate = 24_000
    time, _ = passings(np.arange(3) / 3, rate, 5.0, np.full(5 * rate, 53.0))
    sound = orders(np.random.default_rng(1), np.full(5 * rate, 53.0), rate, {1: 0, 2: -6, 3: -8, 4: -9, 5: -14})
    sound = sound + 0.2 * np.random.default_rng(2).standard_normal(sound.size)
    both = Recording(np.array([sound, pulses_at(time, rate, 6 * rate)[: 5 * rate]], np.float32), rate, (Channel(), Channel("tacho", "V")))
    asked = find_speed(both, Settings(test="bare")).contradiction
    assert asked == "the recording runs at 3180 rpm, the tacho gives 9540 pulses a minute (3 marks a turn? state them with --marks)"
    assert find_speed(both, Settings(marks=3)).contradiction is None


def test_one_jittered_mark_is_not_taken_for_several():
    rng = np.random.default_rng(4)
    several = [told_marks(np.arange(n) + 0.02 * rng.standard_normal(n)) > 1 for n in rng.integers(20, 300, 400)]
    assert np.mean(several) < 0.01


def test_marks_that_are_no_number():
    with pytest.raises(UsageError, match="marks is 0; it must be a whole number from 1 to 60"):
        Settings(marks=0)


@pytest.mark.parametrize(
    "voltage",
    [np.zeros(48_000), np.full(48_000, 3.3), np.random.default_rng(0).standard_normal(48_000), np.zeros(10), pulse_train(steady(0.3))],
    ids=["zeros", "constant", "noise", "ten samples", "one turn"],
)
def test_a_tacho_that_sees_nothing_gives_no_speed(voltage):
    assert find_speed(recording(voltage, 24_000), Settings()) is None
