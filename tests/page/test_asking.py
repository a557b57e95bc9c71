"""What the page sends is read field by field, and each has its own answer when it cannot be."""

from typing import Any

import pytest

from forecast.page.asking import read_asked
from forecast.page.words import load_words

ENGLISH = load_words("en")


def test_spellings_of_a_log_are_read_as_it_reads_them(filled: dict[str, Any]):
    reading = read_asked({**filled, "area_cm2": "12,5", "smoker": "Y", "inks": "red;black"})
    assert reading.asked is not None
    assert reading.asked.enquiry.area_cm2 == 12.5
    assert reading.asked.enquiry.smoker == "yes"
    assert reading.asked.enquiry.inks == "black;red"


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("age_years", "abc"),
        ("age_years", "200"),
        ("area_cm2", "-1"),
        ("sessions_elsewhere", "2.5"),
        ("skin_type", "VII"),
        ("inks", ["ultraviolet"]),
        ("goal", "vanish"),
        ("facts", ["unheard_of"]),
        ("sessions_done", "-1"),
        ("spacing_weeks", "0"),
        ("start", "2026-02-30"),
        ("start", "9999-12-31"),
        ("gradings", [["1", "50"]]),
    ],
)
def test_a_wrong_value_is_answered_at_its_field(filled: dict[str, Any], field: str, value: Any):
    reading = read_asked({**filled, field: value})
    assert reading.asked is None
    assert list(reading.wrong) == [field]
    key, values = reading.wrong[field]
    assert ENGLISH.say(f"wrong.{key}", values)


def test_what_is_missing_is_named_and_nothing_is_wrong():
    reading = read_asked({"inks": [], "skin_type": ""})
    assert set(reading.missing) == {"inks", "ink_density", "layering", "body_site", "skin_type"}
    assert not reading.wrong
