"""Files are read with care, and nothing is lost that a command did not write."""

import json
import shutil
from argparse import Namespace
from pathlib import Path

import pytest

import forecast
from forecast.cli import main
from forecast.cli.compare import WRITTEN
from forecast.cli.files import (
    asked_of,
    check_can_write,
    check_json_output,
    check_output,
    read_enquiries,
    read_gradings,
    write_text,
)
from forecast.cli.tour import ENQUIRIES
from forecast.errors import DataError, ForecastError, RequestError

from .conftest import assert_refused

HEADER = "skin_type,body_site,inks,ink_density,layering"
ROW = "II,forearm,black;red,medium,single"
Shown = pytest.CaptureFixture[str]


def saved(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "asked.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_enquiries_are_numbered_when_they_have_no_id(tmp_path: Path):
    enquiries, _ = read_enquiries(saved(tmp_path, f"{HEADER}\n{ROW}\n{ROW}\n"))
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
    (enquiry,) = read_enquiries(saved(tmp_path, text))[0].values()
    assert (enquiry.skin_type, enquiry.age_years, enquiry.smoker) == ("II", 31, None)
    assert enquiry.sessions_elsewhere == 0


@pytest.mark.parametrize(
    ("cells", "areas", "visits"),
    [
        ([("1.200", "1.050"), ("12,5", "")], [1200, 12.5], "1.050,0"),
        ([("1.200", "7"), ("1.234,50", "")], [1200, 1234.5], "7"),
        ([("1.200", "1.050"), ("30", "12.5")], [1.2, 30], "1.0500"),
    ],
    ids=["by the column", "by one grouped", "by the column beside"],
)
def test_rows_of_a_file_settle_each_others_marks(
    tmp_path: Path, cells: list[tuple[str, str]], areas: list[float], visits: str
):
    black = "II;forearm;black;medium;single"
    rows = [f"{HEADER},area_cm2,visits".replace(",", ";")]
    rows += [f"{black};{area};{number}" for area, number in cells]
    enquiries, _ = read_enquiries(saved(tmp_path, "\n".join(rows)), extra=["visits"])
    assert [one.area_cm2 for one in enquiries.values()] == areas
    assert enquiries["1"].extra["visits"] == visits


def test_a_mark_that_no_row_settles_is_asked_about(tmp_path: Path):
    with pytest.raises(DataError, match=r"'1\.200'"):
        read_enquiries(saved(tmp_path, f"{HEADER},area_cm2\n{ROW},1.200\n{ROW},30\n"))


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
    path = saved(tmp_path, f"{HEADER}\n{ROW}\n{ROW}\n")
    with pytest.raises(DataError, match="has 2 enquiries"):
        asked_of(Namespace(enquiry=path, language=None), None, ())


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


@pytest.mark.parametrize(
    "command",
    [["fit"], ["share"], ["share", "--answer", "QUESTION.json"]],
    ids=" ".join,
)
def test_a_log_is_not_written_over_by_what_is_made_of_it(
    command: list[str], own: Path, capsys: Shown
):
    target = own / "courses.csv"
    assert_refused([command[0], str(own), *command[1:], "-o", str(target)], target, capsys)


def test_pooling_does_not_write_over_a_share_or_a_log(own: Path, tmp_path: Path, capsys: Shown):
    share = tmp_path / "share.json"
    assert main(["share", str(own), "-o", str(share)]) == 0
    assert main(["share", str(own), "-o", str(share)]) == 0  # what share wrote may be renewed
    capsys.readouterr()
    assert_refused(["pool", str(share), str(share), "-o", str(share)], share, capsys)
    log = own / "courses.csv"
    free = tmp_path / "free.json"
    assert_refused(["pool", "--rounds", str(log), "-o", str(free)], log, capsys)
    assert_refused(["pool", "--rounds", str(free), "-o", str(log)], log, capsys)
    assert not free.exists()


@pytest.mark.parametrize("name", ["courses.csv", "enquiries.csv"])
def test_promises_are_not_appended_to_another_file(
    name: str, own: Path, model: Path, enquiries: Path, capsys: Shown
):
    shutil.copy(enquiries, own / "enquiries.csv")
    target = own / name
    asked = str(own / "enquiries.csv")
    assert_refused(["estimate", str(model), asked, "--register", str(target)], target, capsys)


def test_an_old_register_of_promises_is_named_with_what_to_do(
    model: Path, enquiries: Path, tmp_path: Path, capsys: Shown
):
    register = tmp_path / "promises.jsonl"
    for command in (["estimate", str(model), str(enquiries)], ["assess", str(model), "log"]):
        assert main([*command, "--register", str(register)]) == 1
        assert f"--from {register}" in capsys.readouterr().err
    assert not register.exists()


def test_a_card_does_not_write_over_notes_or_a_model(
    own: Path, model: Path, tmp_path: Path, capsys: Shown
):
    notes = tmp_path / "notes.md"
    notes.write_text("# Mine", encoding="utf-8")
    assess = ["assess", str(model), str(own), "--card"]
    assert_refused([*assess, str(notes)], notes, capsys)
    beside = shutil.copy(model, tmp_path / "model.json")
    assert_refused([*assess, str(tmp_path / "model.md")], Path(beside), capsys)


def test_a_saved_forecaster_does_not_write_over_a_log(own: Path, model: Path):
    forecaster = forecast.load_forecaster(model)
    log = own / "courses.csv"
    before = log.read_bytes()
    with pytest.raises(RequestError, match="not a saved forecaster: it would be lost"):
        forecaster.save(log)
    assert log.read_bytes() == before
    for _ in range(2):  # what save wrote may be renewed
        forecaster.save(own / "again.json")


def test_a_comparison_does_not_write_over_other_tables(own: Path, capsys: Shown):
    table = own / "weights.csv"
    table.write_text("laser,kg\nyag,40\n", encoding="utf-8")
    before = table.read_bytes()
    assert main(["compare", str(own), "--out", str(own)]) == 1
    assert "weights.csv already" in capsys.readouterr().err
    assert table.read_bytes() == before


def test_the_tables_of_a_comparison_may_be_renewed(own: Path, tmp_path: Path, capsys: Shown):
    quick = ["--horizon", "6", "--replicates", "20", "--out", str(tmp_path / "tables")]
    for _ in range(2):
        assert main(["compare", str(own), *quick]) == 0
    assert {path.name for path in (tmp_path / "tables").iterdir()} <= set(WRITTEN)
    capsys.readouterr()


def test_the_tour_does_not_write_over_a_clinics_model(model: Path, tmp_path: Path, capsys: Shown):
    target = Path(shutil.copy(model, tmp_path / "model.json"))
    before = target.read_bytes()
    assert main(["tour", "-o", str(tmp_path)]) == 1
    assert "model.json already" in capsys.readouterr().err
    assert target.read_bytes() == before


def test_the_tour_does_not_write_over_enquiries_that_were_changed(tmp_path: Path, capsys: Shown):
    (tmp_path / "index.html").write_text("<title>Tour of an invented clinic</title>")
    own = tmp_path / "enquiries.csv"
    own.write_text(ENQUIRIES.replace("arm-1", "mine"), encoding="utf-8")
    assert main(["tour", "-o", str(tmp_path)]) == 1
    assert "your changes would be lost" in capsys.readouterr().err
    assert "mine" in own.read_text(encoding="utf-8")


@pytest.mark.parametrize("content", ["", "\n", '{"kind": "ours", "more": 1}'])
def test_an_empty_file_and_one_of_the_same_kind_are_written_over(tmp_path: Path, content: str):
    path = tmp_path / "out.json"
    path.write_text(content, encoding="utf-8")
    check_json_output(path, "ours", what="ours")


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"[1]", b'{"kind": "theirs"}', b'{"kind'])
def test_any_other_content_is_refused(tmp_path: Path, content: bytes):
    path = tmp_path / "out.json"
    path.write_bytes(content)
    with pytest.raises(RequestError, match="is not a model"):
        check_json_output(path, "ours", what="a model")


def test_a_place_that_cannot_be_written_is_refused_as_before(tmp_path: Path):
    with pytest.raises(RequestError, match="does not exist"):
        check_output(tmp_path / "nowhere" / "out.json", what="a model", known=bool)


def test_warnings_are_printed_as_sentences_with_their_codes_beside_them(own: Path, capsys: Shown):
    (own / "reactions.csv").unlink()
    assert main(["check", str(own), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    (note,) = forecast.reactions.under_recording(forecast.read_log(own))
    assert note.code == "reactions.none_recorded"
    assert str(note) in found["warnings"]
    assert note.to_dict() in found["warning_codes"]
    assert len(found["warnings"]) == len(found["warning_codes"])
