"""CSV files as people save them, and output files that are whole or not there."""

from pathlib import Path

import pytest

from forecast.cli.files import (
    check_can_write,
    read_enquiries,
    read_gradings,
    read_one_enquiry,
    write_text,
)
from forecast.errors import DataError, ForecastError, RequestError

HEADER = "skin_type,body_site,inks,ink_density,layering"
ROW = "II,forearm,black;red,medium,single"


def saved(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "asked.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_enquiries_are_numbered_when_they_have_no_id(tmp_path: Path):
    enquiries = read_enquiries(saved(tmp_path, f"{HEADER}\n{ROW}\n{ROW}\n"))
    assert list(enquiries) == ["1", "2"]
    assert enquiries["1"].inks == "black;red"


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(
            f"\ufeff{HEADER},age_years\r\n{ROW},31\r\n,,,,,\r\n", id="spreadsheet on Windows"
        ),
        pytest.param(f"{HEADER},age_years\n{ROW},31".replace(",", "\t"), id="tabs"),
        pytest.param(
            f"{HEADER};age_years\nII;forearm;'black;red';medium;single;31".replace(
                ",", ";"
            ).replace("'", '"'),
            id="semicolons",
        ),
        pytest.param(f"{HEADER},age_years,smoker\n{ROW},31,\n", id="an optional cell left empty"),
        pytest.param(
            f"Skin Type,Body-site,INKS,Ink density,layering,Age (years)\n{ROW},31\n",
            id="headings spelled as a log may have them",
        ),
    ],
)
def test_the_usual_ways_of_saving_csv_mean_the_same(tmp_path: Path, text: str):
    enquiry = read_one_enquiry(saved(tmp_path, text))
    assert (enquiry.skin_type, enquiry.age_years, enquiry.smoker) == ("II", 31, None)
    assert enquiry.sessions_elsewhere == 0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("", "0 rows", id="empty"),
        pytest.param(f"{HEADER}\n", "0 rows", id="header only"),
        pytest.param(f"{ROW}\n{ROW}\n", "has no headings", id="no header"),
        pytest.param(
            f"{HEADER},Age years,age_years \n{ROW},3,3\n",
            "two columns for age_years",
            id="column twice but for spelling",
        ),
        pytest.param(
            f"{HEADER},origin\n{ROW},{'x' * 10**6}\n",
            "a cell of 1,000,000 characters: line 2, column origin",
            id="a cell of a megabyte",
        ),
        pytest.param(
            f"{HEADER},{'x' * 10**6}\n{ROW},\n", "the heading of column 6", id="endless heading"
        ),
        pytest.param(f"{HEADER},smokr\n{ROW},yes\n", "smoker", id="misspelt column"),
        pytest.param(f"{HEADER},inks\n{ROW},red\n", "two columns for inks", id="column twice"),
        pytest.param(f"{HEADER}\nVII,forearm,black,medium,single\n", "line 2", id="unknown level"),
        pytest.param(f"{HEADER}\nII,forearm,black,medium,\n", "layering", id="required cell empty"),
        pytest.param("skin_type\nII\n", "body_site", id="required column missing"),
        pytest.param(
            f"{HEADER}\nII,forearm,black,red,medium,single\n", "quotes", id="unquoted set"
        ),
        pytest.param(
            f"enquiry_id,{HEADER}\na,{ROW}\na,{ROW}\n", "two enquiries 'a'", id="id twice"
        ),
    ],
)
def test_an_enquiry_file_that_cannot_be_used_is_refused_in_words(
    tmp_path: Path, text: str, says: str
):
    with pytest.raises(ForecastError, match=r"asked\.csv") as refused:
        read_enquiries(saved(tmp_path, text))
    assert says in str(refused.value)


def test_text_that_is_not_utf8_is_refused_in_words(tmp_path: Path):
    with pytest.raises(DataError, match="UTF-8"):
        read_enquiries(saved(tmp_path, f"{HEADER}\n{ROW}", "utf-16"))


def test_one_enquiry_is_asked_for_and_two_are_refused(tmp_path: Path):
    with pytest.raises(DataError, match="has 2 enquiries"):
        read_one_enquiry(saved(tmp_path, f"{HEADER}\n{ROW}\n{ROW}\n"))


def test_gradings_come_with_or_without_a_date(tmp_path: Path):
    text = "after_session,fading_pct,graded_on\n0,0,\n2,25.5,2026-03-01\n"
    assert read_gradings(saved(tmp_path, text)) == [(0, 0.0), (2, 25.5, "2026-03-01")]


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("1.5,20", "whole number"),
        ("1,much", "not a number"),
        ("1,nan", "not a number"),
        ("1,", "fading_pct"),
    ],
)
def test_a_grading_that_is_no_number_is_refused_with_its_line(tmp_path: Path, row: str, says: str):
    with pytest.raises(DataError, match="line 2") as refused:
        read_gradings(saved(tmp_path, f"after_session,fading_pct\n{row}\n"))
    assert says in str(refused.value)


def test_a_file_is_replaced_whole_and_nothing_else_is_left(tmp_path: Path):
    target = tmp_path / "out.txt"
    write_text(target, "first")
    write_text(target, "zweite Fassung: ½ µm\n")
    assert target.read_bytes().decode("utf-8") == "zweite Fassung: ½ µm\n"
    assert list(tmp_path.iterdir()) == [target]


def test_a_write_that_fails_leaves_the_old_file_and_no_half(tmp_path: Path):
    target = tmp_path / "out.txt"
    write_text(target, "kept")
    with pytest.raises(UnicodeEncodeError):
        write_text(target, "lone surrogate \ud800")
    assert target.read_text(encoding="utf-8") == "kept"
    assert list(tmp_path.iterdir()) == [target]


def test_a_place_that_cannot_be_written_is_refused_before_the_work(tmp_path: Path):
    with pytest.raises(RequestError, match="does not exist"):
        check_can_write(tmp_path / "nowhere" / "out.json")
    with pytest.raises(RequestError, match="is a folder"):
        check_can_write(tmp_path)
