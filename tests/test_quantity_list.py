"""The numbers of a reading as a person reads them."""

from dataclasses import replace

import pytest

from tests.wren4 import WELL, reading
from vibekit.quantity_list import hidden_words, quantity_rows
from vibekit.reading import SCORE, Quantity


def with_pulses(score, shown, name="outer race"):
    served = (
        Quantity(f"{name} shown", shown, 0.0, "1"),
        Quantity(f"{name} lines", -0.7, 0.0, SCORE),
        Quantity(f"{name} anywhere", -0.5, 0.0, SCORE),
    )
    return replace(
        reading("north-east", WELL), quantities=(Quantity("electrical lines", -60.0, 0.4, "dB"), Quantity(name, score, 0.0, SCORE), *served)
    )


def test_what_serves_a_score_is_no_number_to_read():
    assert quantity_rows(with_pulses(1.3, 0.75)) == [("electrical lines", "−60.00 ± 0.40 dB"), ("outer race", "score 1.3 (p ≤ 0.05)")]


@pytest.mark.parametrize(
    ("score", "shown", "said"),
    [
        (0.0, 0.75, "Pulses of the outer race: 25\N{NO-BREAK SPACE}% of where they may lie is hidden among other lines."),
        (0.0, 1.0, ""),
        (0.0, 0.997, ""),
        (3.0, 0.75, ""),  # found all the same
    ],
)
def test_what_was_hidden_is_said_of_pulses_that_were_not_found(score, shown, said):
    assert hidden_words(with_pulses(score, shown)) == said


def test_what_is_hidden_alike_is_said_once():
    both = replace(with_pulses(0.0, 0.8), quantities=(*with_pulses(0.0, 0.8).quantities, *with_pulses(0.0, 0.8, "ball").quantities[1:]))
    assert hidden_words(both).startswith("Pulses of the outer race and pulses of a ball: 20\N{NO-BREAK SPACE}% of")


def test_the_chance_of_each_part_is_said_as_one():
    shares = (Quantity("share inner race", 0.31, 0.0, "1"),)
    assert quantity_rows(replace(reading("north-east", WELL), quantities=shares)) == [("inner race, if a bearing", "31\N{NO-BREAK SPACE}%")]
