"""Which row has the headings, and what each of them means."""

import pandas as pd
import pytest

from forecast.errors import DataError
from forecast.log.headings import is_total, read_headings, refuse_repeated, with_headings


def test_rows_of_totals_are_known_by_their_first_word():
    assert [is_total("Summe 2021"), is_total("Sommer")] == [True, False]


def test_headings_mean_columns_in_any_spelling_and_others_are_left_out():
    found = read_headings("lasers", ["Laser ID", "regime", "Wavelengths (nm)", "colour"])
    assert found == {
        "Laser ID": "laser_id",
        "regime": "regime",
        "Wavelengths (nm)": "wavelengths_nm",
    }
    with pytest.raises(DataError, match="has no column regime, wavelengths_nm"):
        read_headings("lasers", ["laser_id"])
    with pytest.raises(DataError, match="two columns for laser_id: B1 and C1"):
        refuse_repeated("Table lasers", ["x", "laser_id", "laser id"], ["A1", "B1", "C1"])


def test_a_title_above_the_headings_is_passed_over():
    heads = ["laser_id", "regime", "wavelengths_nm"]
    cells = [["Our lasers", None, None], heads, ["yag", "ns", "532;1064"]]
    rows = pd.DataFrame(cells, index=[1, 2, 3], dtype=object)
    below, number, places = with_headings("lasers", rows)
    assert (number, places) == (2, [0, 1, 2])
    assert below.to_dict("list") == dict(zip(heads, ([one] for one in cells[2]), strict=True))
    with pytest.raises(DataError, match="has no headings"):
        with_headings("lasers", rows.iloc[:1])
