"""A promise on record: how it stands against now."""

from datetime import timedelta

import pytest

from forecast.daybook import export_daybook, first_promises, read_promises
from forecast.errors import DataError

from .conftest import TODAY, promised


@pytest.mark.parametrize(
    ("now", "median", "slow", "said"),
    [
        ((5, 9), 7, False, "5 to more than 10; now 5 to 9: within what was promised."),
        ((3, 4), 3, False, "now 3 to 4: shorter than was promised."),
        ((12, None), None, True, "now 12 to more than 10: within what was promised."),
    ],
)
def test_a_promise_stands_against_now_on_one_line(now, median, slow, said):
    note = promised().against(now, median, slow=slow)
    assert str(note).endswith(said)
    day = TODAY - timedelta(days=200)
    assert str(note).startswith(f"On {day.day} {day:%b %Y} promised ")


def test_a_course_that_needs_longer_is_to_be_told_and_why():
    kept = promised(median=6, low=4, high=8)
    slower = kept.against((10, 14), 12, slow=True)
    assert "has faded less by now than 9 of 10" in str(slower)
    assert "bisher weniger verblasst als 9 von 10" in slower.say("de")
    assert slower.severity == "caution"
    assert "longer than was promised" in str(kept.against((10, None), None, slow=False))
    assert kept.against((6, 9), 8, slow=True).severity == "info"


def test_a_promise_without_a_tariff_is_valid_for_ninety_days():
    assert promised().until == promised().issued_on + timedelta(days=90)
    assert promised(valid_until=TODAY).until == TODAY


def test_a_row_that_is_no_promise_is_told_by_its_line(book, tmp_path):
    kept = book.keep(promised(price=780.0, facts="minor"), by="op1")
    export_daybook(book.path, tmp_path / "out")
    table = tmp_path / "out" / "promises.csv"
    assert read_promises(tmp_path / "out") == (kept,)
    for good, bad in ((",clear,", ",gone,"), (TODAY.strftime("%Y-"), "last "), ("780", "much")):
        table.write_text(table.read_text(encoding="utf-8").replace(good, bad), encoding="utf-8")
        with pytest.raises(DataError, match=r"Line 2 of .*promises\.csv is no promise"):
            read_promises(tmp_path / "out")
        table.write_text(table.read_text(encoding="utf-8").replace(bad, good), encoding="utf-8")
    assert read_promises(tmp_path / "out") == (kept,)


def test_the_first_promise_of_a_course_is_the_one_that_is_judged(book):
    first, second, other = (
        book.keep(promised(course_id=course), by="op1") for course in ("", "k900-1", "")
    )
    judged = first_promises([other, second, first])
    assert judged == {"k900-1": first, "k900-2": other}
