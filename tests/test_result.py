import json

from tests.readings import DIAGNOSIS, READING
from vibekit.result import reading_json, set_json

# the contract: these names stay, others may join
AGREED = {"schema", "file", "sha256", "rate_hz", "duration_s", "channels", "screening", "speed", "orders", "findings", "conclusion"}


def test_one_reading_prints_the_agreed_fields():
    result = reading_json(READING, DIAGNOSIS)
    assert result.keys() >= AGREED
    assert result["schema"] == "vibekit.reading/1"
    assert result["channels"] == [{"role": "vibration", "unit": "FS"}, {"role": "tacho", "unit": "pulse"}]
    assert result["screening"] == {
        "usable": True,
        "problems": [
            {"code": "hum", "severity": "note", "detail": "a line at 50 Hz"},
            {"code": "clipping", "severity": "warning", "detail": "12 samples at full scale"},
        ],
    }
    assert result["speed"].items() >= {"rpm": 6012.5, "rpm_u95": 1.5, "method": "tacho", "rpm_min": 6001.0, "rpm_max": 6020.0}.items()
    assert result["orders"][0] == {"order": 1.0, "name": "1x", "amplitude": 0.0123, "u95": 0.0004, "at_most": None, "unit": "FS"}
    assert list(result["findings"][0]) == ["condition", "probability", "evidence", "position", "part", "action", "next_step"]
    assert result["findings"][0]["evidence"][1] == {"text": "nothing to compare with", "supports": False, "weight": -0.2, "against": ""}
    assert result["conclusion"] == {
        "condition": "undecided", "probability": 0.83, "position": "north-east", "part": "propeller", "action": "measure again",
        "also": [], "reason": DIAGNOSIS.conclusion.reason, "next_step": DIAGNOSIS.conclusion.next_step,
        "next_measurement": "", "next_bits": 0.0,
    }  # fmt: skip


def test_what_is_not_finite_prints_as_null():
    text = json.dumps(reading_json(READING, DIAGNOSIS), allow_nan=False)
    assert json.loads(text)["orders"][1]["u95"] is None


def test_a_set_holds_its_readings_and_one_conclusion():
    result = set_json([(READING, DIAGNOSIS), (READING, DIAGNOSIS)], DIAGNOSIS)
    assert list(result) == ["schema", "readings", "findings", "conclusion"]
    assert result["schema"] == "vibekit.set/1"
    assert result["readings"] == [reading_json(READING, DIAGNOSIS)] * 2
