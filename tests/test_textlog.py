"""Logs as text: layouts, headers, stamps and damage written here with known content."""

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from tests.textlogs import N, T, X, Y, table
from vibekit.capture.columns import describe
from vibekit.capture.files import read_recording
from vibekit.errors import UnreadableError, UsageError


@pytest.fixture
def read(tmp_path):
    def read(content, name="wren.csv", **stated):
        file = tmp_path / name
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_recording(file, **stated)

    return read


LAYOUTS = {
    "comma": "time,x,y\n" + table(T, X, Y),
    "semicolon and decimal comma": ("time;x;y\n" + table(T, X, Y, between=";")).replace(".", ","),
    "tab": "time\tx\ty\n" + table(T, X, Y, between="\t"),
    "bar": "time|x|y\n" + table(T, X, Y, between="|"),
    "blanks in columns": "time x y\n" + table(T, X, Y, form="%14.6f", between=" "),
    "blanks and decimal comma": ("time x y\n" + table(T, X, Y, between="  ")).replace(".", ","),
    "comma and blank": "time, x, y\n" + table(T, X, Y, between=", "),
    "no header": table(T, X, Y),
    "comments": "# Lerchenfeld Rotor Bench\n% clamp 2\n// cold\n#time,x,y\n" + table(T, X, Y).replace("\n0.5", "\n# knocked\n0.5", 1),
    "lines above": "Bench log\nCraft: Wren-4\n\ntime,x,y\n" + table(T, X, Y),
    "separator line": "sep=;\ntime;x;y\n" + table(T, X, Y, between=";"),
    "units below the names": "time,x,y\ns,-,-\n" + table(T, X, Y),
    "blank lines": "\n\ntime,x,y\n\n" + table(T, X, Y, end="\n\n"),
    "carriage returns": ("time,x,y\n" + table(T, X, Y)).replace("\n", "\r\n"),
    "old carriage returns": ("time,x,y\n" + table(T, X, Y)).replace("\n", "\r"),
    "trailing commas": "time,x,y,\n" + table(T, X, Y, end=",\n"),
    "trailing commas below a header without": "time,x,y\n" + table(T, X, Y, end=",\n"),
    "no newline at the end": "time,x,y\n" + table(T, X, Y).rstrip("\n"),
    "quotes": '"time","x","y"\n' + table(T, X, Y, form='"%.6f"'),
    "quotes and decimal comma": '"time","x","y"\n' + table(T, X, Y, form='"%.6f"').replace(".", ","),
    "byte-order mark": "\ufefftime,x,y\n" + table(T, X, Y),
    "utf-16": ("time,x,y\n" + table(T, X, Y)).encode("utf-16"),
    "utf-16 big-endian": b"\xfe\xff" + ("time,x,y\n" + table(T, X, Y)).encode("utf-16-be"),
    "utf-16 without mark": ("time,x,y\n" + table(T, X, Y)).encode("utf-16-le"),
    "exponents": "time,x,y\n" + table(T, X, Y, form="%.7e"),
    "rows counted": "index,time,x,y\n" + table(N, T, X, Y),
    "other sensors": "time,x,temp (°C),y,gyro_x,battery\n" + table(T, X, T, Y, Y, X),
    "words in a column": "time,place,x,y\n" + "".join(f"{t:.6f},north-east,{x:.6f},{y:.6f}\n" for t, x, y in zip(T, X, Y, strict=True)),
}  # fmt: skip


@pytest.mark.parametrize("content", LAYOUTS.values(), ids=LAYOUTS)
def test_any_layout_gives_the_same_samples(read, content):
    recording = read(content)
    assert recording.samples.dtype == np.float64
    np.testing.assert_allclose(recording.samples, [X, Y], atol=6e-7)  # as written
    np.testing.assert_allclose(recording.stamp_s, T, atol=6e-7)
    assert recording.rate_hz == pytest.approx(100, abs=recording.rate_u95_hz)
    assert recording.rate_u95_hz < 0.05
    assert not any("resampled" in line for line in recording.log)


@pytest.mark.parametrize(
    ("head", "unit", "scale"),
    [
        ("acc_x (m/s^2)", "m/s2", 1), ("ax [m/s²]", "m/s2", 1), ("ax_mps2", "m/s2", 1), ("x (cm/s²)", "m/s2", 0.01),
        ("ax (g)", "g", 1), ("accX_g", "g", 1), ("z [mg]", "g", 1e-3), ("velocity x (mm/s)", "mm/s", 1), ("vel_y [m/s]", "mm/s", 1000),
        ("vibration speed (in/s)", "mm/s", 25.4), ("mic (Pa)", "Pa", 1), ("ch1 (mV)", "V", 1e-3), ("Acceleration y", "FS", 1),
        ("az", "FS", 1),
    ],
)  # fmt: skip
def test_the_unit_comes_from_the_header(read, head, unit, scale):
    recording = read(f"time,{head}\n" + table(T, X))
    assert [channel.unit for channel in recording.channels] == [unit]
    np.testing.assert_allclose(recording.samples[0], X * scale, atol=6e-7 * scale)
    assert (scale != 1) == any("converted from" in line for line in recording.log)


def test_latin_1_units_are_read(read):
    recording = read(("time;x (m/s²)\n" + table(T, X, between=";")).encode("latin-1"))
    assert recording.channels[0].unit == "m/s2"


@pytest.mark.parametrize(
    ("head", "role", "unit"),
    [
        ("rpm", "telemetry", "rpm"), ("motor_speed [1/min]", "telemetry", "rpm"), ("shaft speed (Hz)", "telemetry", "Hz"),
        ("Drehzahl", "telemetry", "rpm"), ("tacho", "tacho", "pulse"), ("hall", "tacho", "pulse"), ("hall_1 (V)", "tacho", "V"),
        ("eRPM", "telemetry", "rpm"), ("motor_erpm", "telemetry", "rpm"), ("electrical speed (Hz)", "telemetry", "Hz"),
    ],
)  # fmt: skip
def test_speed_and_pulse_columns_get_their_role(read, head, role, unit):
    recording = read(f"time,x,{head}\n" + table(T, X, N % 2))
    assert (recording.channels[1].role, recording.channels[1].unit) == (role, unit)
    assert recording.rows("vibration") == [0]


@pytest.mark.parametrize(
    "head",
    [
        "gx", "gyro_z (deg/s)", "temp", "Temperature (°C)", "battery", "mag", "mz (uT)", "absolute acceleration", "magnitude",
        "lat", "roll", "speed (m/s)",
    ],
)  # fmt: skip
def test_other_sensors_are_left_out_and_named(read, head):
    recording = read(f"time,x,{head}\n" + table(T, X, Y))
    assert [channel.name for channel in recording.channels] == ["x"]
    assert any("left out" in line and describe(head).name in line for line in recording.log)


@pytest.mark.parametrize(
    ("head", "factor", "said"),
    [
        ("time (s)", 1, "in s"), ("time_ms", 1e3, "in ms"), ("t [us]", 1e6, "in us"), ("timestamp (ns)", 1e9, "in ns"),
        ("millis", 1e3, "in ms"), ("time", 1, "taken as s"), ("time", 1e3, "taken as ms"), ("time", 1e6, "taken as us"),
        ("time", 1e9, "taken as ns"),
    ],
)  # fmt: skip
def test_the_time_unit_is_told_by_name_or_size_and_said(read, head, factor, said):
    recording = read(f"{head},x\n" + table(T * factor, X))
    assert recording.rate_hz == pytest.approx(100)
    np.testing.assert_allclose(recording.stamp_s, T, atol=1e-6)
    assert any(said in line for line in recording.log)


def test_a_stated_time_unit_goes_before_the_guess(read):
    recording = read("time,x\n" + table(N * 100.0, X), time_unit="us")
    assert recording.rate_hz == pytest.approx(10_000)
    with pytest.raises(UsageError, match=r"'min'.*'s', 'ms', 'us', 'ns'"):
        read("time,x\n" + table(T, X), time_unit="min")
    with pytest.raises(UsageError, match="holds dates or times of day"):
        read("time,x\n10:00:00.0,1\n10:00:00.1,2\n", time_unit="ms")


def clock(start, form, count=400, step=timedelta(milliseconds=10)):
    return [form(start + i * step) for i in range(count)]


MAY = datetime(2026, 5, 1, 23, 59, 58)
DATES = {
    "iso, utc": (clock(MAY, lambda t: t.isoformat(timespec="milliseconds") + "Z"), MAY.replace(tzinfo=UTC)),
    "iso, zone": (clock(MAY, lambda t: t.isoformat(" ", "microseconds") + "+02:00"), MAY.replace(tzinfo=timezone(timedelta(hours=2)))),
    "iso, local": (clock(MAY, lambda t: t.isoformat(timespec="milliseconds")), MAY),
    "day first": (clock(MAY, lambda t: t.strftime("%d.%m.%Y %H:%M:%S.%f")), MAY),
    "slashes": (clock(MAY, lambda t: t.strftime("%Y/%m/%d %H:%M:%S.%f")), MAY),
    "time of day over midnight": (clock(MAY, lambda t: t.strftime("%H:%M:%S.%f")), None),
    "date and time apart": (clock(MAY, lambda t: t.strftime("%Y-%m-%d,%H:%M:%S.%f")), MAY),
}


@pytest.mark.parametrize(("stamps", "start"), DATES.values(), ids=DATES)
def test_dates_give_rate_and_start(read, stamps, start):
    head = "date,time,x" if "," in stamps[0] else "time,x"
    recording = read(head + "\n" + "".join(f"{stamp},{x:.6f}\n" for stamp, x in zip(stamps, X, strict=True)))
    assert recording.rate_hz == pytest.approx(100, abs=1e-6)
    assert recording.start == start
    np.testing.assert_allclose(recording.stamp_s, T, atol=1e-6)


@pytest.mark.parametrize("unit", [1, 10**3, 10**6, 10**9])
def test_stamps_since_1970_give_the_start(read, unit):
    first = datetime(2026, 5, 1, 10, tzinfo=UTC)
    stamps = [int(first.timestamp()) * unit + i * unit // 100 if unit > 1 else first.timestamp() + i / 100 for i in range(400)]
    recording = read("timestamp,x\n" + "".join(f"{stamp},{x:.6f}\n" for stamp, x in zip(stamps, X, strict=True)))
    assert recording.rate_hz == pytest.approx(100, rel=1e-6)
    assert recording.start == first


def test_without_time_the_rate_is_given_or_in_the_lines_above(read):
    assert read("x,y\n" + table(X, Y), rate_hz=3200).rate_hz == 3200
    assert read("Sampling frequency: 3.2 kHz\nx,y\n" + table(X, Y)).rate_hz == 3200
    assert read("# sample rate 1600 Hz\n" + table(X, Y)).rate_hz == 1600
    counted = read("sample,x\n" + table(N, X, form="%g"), rate_hz=50)
    assert counted.rate_hz == 50
    assert counted.stamp_s is None
    with pytest.raises(UnreadableError, match=r"none of its columns \(x, y\) tells the time"):
        read("x,y\n" + table(X, Y))
    with pytest.raises(UsageError, match="leave the rate out"):
        read("time,x\n" + table(T, X), rate_hz=100)
    with pytest.raises(UsageError, match="rate is -1 Hz"):
        read("x,y\n" + table(X, Y), rate_hz=-1)


def test_columns_are_asked_for_by_name_or_number(read):
    content = "time,fore,aft,rpm\n" + table(T, X, Y, T * 0 + 3000)
    recording = read(content, columns=["Aft", "2", "rpm"])
    assert [(c.name, c.role) for c in recording.channels] == [("aft", "vibration"), ("fore", "vibration"), ("rpm", "telemetry")]
    np.testing.assert_allclose(recording.samples[0], Y, atol=6e-7)
    with pytest.raises(UsageError, match="column 'z' is not there; the file has time, fore, aft, rpm"):
        read(content, columns=["z"])
    with pytest.raises(UsageError, match="once"):
        read(content, columns=["aft", "aft"])
    assert [c.name for c in read(content).channels] == ["fore", "aft", "rpm"]  # no name tells vibration: unknown ones are taken


def test_roles_are_given_in_channel_order(read):
    content = "time,x,y,tacho\n" + table(T, X, Y, N % 2)
    recording = read(content, roles=["vibration", "ignore", "telemetry"])
    assert [(c.name, c.role) for c in recording.channels] == [("x", "vibration"), ("tacho", "telemetry")]
    with pytest.raises(UsageError, match=r"2 roles are given .*3 channels \(x, y, tacho\)"):
        read(content, roles=["vibration", "tacho"])
    with pytest.raises(UsageError, match=r"'noise'.*'ignore'"):
        read(content, roles=["noise", "tacho", "tacho"])


def test_sensitivity_is_a_unit_for_one_count(read):
    recording = read("time,x,rpm\n" + table(T, X, T * 0 + 3000), unit="g", sensitivity=0.5)
    np.testing.assert_allclose(recording.samples, [X / 2, T * 0 + 3000], atol=1e-6)
    assert [c.unit for c in recording.channels] == ["g", "rpm"]
    volts = read("time,ch1 (mV)\n" + table(T, X), unit="m/s2", sensitivity=98.0665)
    np.testing.assert_allclose(volts.samples[0], X * 0.0980665, atol=1e-6)
    with pytest.raises(UsageError, match="channel x is in m/s2; leave the unit out"):
        read("time,x (m/s2)\n" + table(T, X), unit="g")
    with pytest.raises(UsageError, match="leave the sensitivity out"):
        read("time,x (g)\n" + table(T, X), unit="g", sensitivity=2)
    assert read("time,x (g)\n" + table(T, X), unit="g").channels[0].unit == "g"


def test_gravity_tells_the_unit_of_three_axes_and_nothing_else_does(read):
    level = np.array([0.3, 9.7, 1.2])  # 9.78 m/s2 in length
    told = read("time,x,y,z\n" + table(T, X + level[0], Y + level[1], Y + level[2]))
    assert {c.unit for c in told.channels} == {"m/s2"}
    assert any("gravity" in line for line in told.log)
    assert {c.unit for c in read("time,x,y,z\n" + table(T, X, Y, Y + 1)).channels} == {"g"}
    assert {c.unit for c in read("time,x,y,z\n" + table(T, X, Y, Y + 5)).channels} == {"FS"}
    assert {c.unit for c in read("time,x,z\n" + table(T, X, Y + 9.81)).channels} == {"FS"}
    assert {c.unit for c in read("time,x,y,z\n" + table(T, X, Y, Y + 1), unit="m/s2").channels} == {"m/s2"}


@pytest.mark.parametrize("cut", ["4.00,0.5", "4.00,0.5,", "4.00,0.5,-", "4.00,0.5,1e", "4.0"])
def test_a_last_line_cut_short_is_left_out(read, cut):
    recording = read("time,x,y\n" + table(T, X, Y) + cut)
    assert recording.samples.shape == (2, 400)
    assert "the last line is cut short; left out" in recording.log


def test_damaged_rows_are_left_out_when_stamps_show_where(read):
    rows = table(T, X, Y).splitlines()
    rows[200] = "2.00@#,0.1"
    recording = read("time,x,y\n" + "\n".join(rows))
    assert any("damaged rows left out: 1; data row 201" in line for line in recording.log)
    assert recording.rate_hz == pytest.approx(100, rel=0.003)
    with pytest.raises(UnreadableError, match=r"data row 201 \('2.00@#,0.1'\) is damaged; without time stamps"):
        read("a,x,y\n" + "\n".join(rows[:200] + rows[200:201] + rows[201:]).replace("0.000000,", "5,", 1), columns=["x", "y"], rate_hz=100)
    with pytest.raises(UnreadableError, match="41 of 400 rows are damaged"):
        read("time,x,y\n" + "\n".join("?" if i % 10 == 5 else row for i, row in enumerate(rows)))


def test_rows_of_another_sensor_are_left_out(read):
    rows = [f"{t / 2:.4f},{x:.6f}," if i % 2 == 0 else f"{t / 2:.4f},,{x:.6f}" for i, (t, x) in enumerate(zip(T, X, strict=True))]
    recording = read("time,ax,gx\n" + "\n".join(rows))
    assert recording.rate_hz == pytest.approx(100)
    np.testing.assert_allclose(recording.samples[0], X[::2], atol=6e-7)
    assert "rows without a sample left out: 200" in recording.log


def test_rows_in_which_every_sample_is_nan_are_left_out_where_stamps_tell_when_they_were(read):
    rows = table(T, X, Y).splitlines()
    rows[7], rows[70] = f"{T[7]:.4f},nan,NaN", f"{T[70]:.4f},NaN,nan"
    recording = read("time,x,y\n" + "\n".join(rows))
    assert "rows without a sample left out: 2" in recording.log
    assert np.isfinite(recording.samples).all()
    with pytest.raises(UnreadableError, match=r"column x, data row 1: the sample is"):
        read("x,y\nnan,nan\n" + "\n".join(row.partition(",")[2] for row in rows[8:60]), rate_hz=100.0)


def test_decimal_commas_between_commas_are_named(read):
    rows = table(T, X, Y).replace(",", "§").replace(".", ",").replace("§", ",")
    with pytest.raises(UnreadableError, match="3 names stand over 6 numbers in a row"):
        read("time,x,y\n" + rows)


def test_a_unit_that_nothing_tells_is_asked_for(read):
    assert any(line.startswith("no unit stated: numbers stay as they are stored") for line in read("time,x\n" + table(T, X)).log)


@pytest.mark.parametrize("bad", ["nan", "NaN", "inf", "-inf", "1e999", ""])
def test_what_is_no_finite_number_is_refused_with_its_place(read, bad):
    rows = table(T, X, Y).splitlines()
    rows[7] = f"{T[7]:.4f},0.1,{bad}"
    with pytest.raises(UnreadableError, match=r"column y, data row 8: the sample is.*replace or cut"):
        read("time,x,y\n" + "\n".join(rows))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("time,x,y\n", "no rows of numbers"), ("The motor ground badly.\nThen it stopped.\n", "no rows of numbers"),
        ("\n\n", "no rows of numbers"), ("time,x\n0.0,1.0\n", "one row only"), ("time,x\n" + table(T * 0, X), "never rise"),
        (bytes(range(256)) * 8, "not text"), ("time,temp,battery\n" + table(T, X, Y), "none of its columns .*name the ones to use"),
        ("time,x\n" + table(T * 1e14, X), "out of range|Hz, which no"),
        ("time,x\n10:00:00,1\nnow,2\n10:00:02,3", "'now', is no date and time"), ('time,x\n"' + table(T, X), "."),
    ],
)  # fmt: skip
def test_what_is_no_log_is_refused_in_one_line(read, content, message):
    with pytest.raises(UnreadableError, match=message) as refused:
        read(content)
    assert "\n" not in str(refused.value)
