"""A log becomes a daybook and a daybook files, and nothing is lost on the way."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import forecast
from forecast.daybook import Daybook, begin_daybook, export_daybook, make_daybook, read_promises
from forecast.daybook.package import take_over
from forecast.errors import DataError, RequestError
from forecast.log import write_log

from .conftest import TABLES, promised, visit

WRITTEN = Path(__file__).parents[1] / "golden/written"  # by each schema that was published


def files_of(folder: Path) -> dict[str, bytes]:
    found = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in found}


def test_a_log_taken_over_reads_as_it_did(small_log, full_book):
    again = forecast.read_log(full_book.path)
    for name in TABLES:
        assert getattr(again, name).equals(getattr(small_log, name)), name
    assert again.cleared_at == small_log.cleared_at


def test_a_log_with_a_lone_name_is_not_taken_over(small_log, tmp_path):
    write_log(small_log, tmp_path / "log")
    file, client = tmp_path / "log" / "courses.csv", small_log.courses["client_id"][0]
    file.write_text(file.read_text().replace(f",{client},", ",Maria Huber,", 1))
    with pytest.raises(DataError, match="holds no names") as caught:
        begin_daybook(tmp_path / "book.sqlite", tmp_path / "log")
    assert "courses.client_id in row 2" in caught.value.problem
    assert "Huber" not in str(caught.value)
    assert not (tmp_path / "book.sqlite").exists()


def test_a_lone_name_among_promises_is_said_and_not_taken_over(full_book, tmp_path):
    full_book.keep(promised(), by="op1")
    export_daybook(full_book.path, tmp_path / "out")
    assert names_in(tmp_path / "out") == []
    text = (tmp_path / "out" / "promises.csv").read_text().replace(",k900,", ",Maria Huber,")
    (tmp_path / "log" / "promises.csv").write_text(text)
    assert "promises.client_id in row 2" in names_in(tmp_path / "log")[0]
    with pytest.raises(DataError, match="holds no names"):
        begin_daybook(tmp_path / "book.sqlite", tmp_path / "log")
    # what a register of before held was taken over as it was
    with full_book.entry("promise", "op1") as entry:
        cells = replace(promised(), promise_no=2, course_id="k900-1", client_id="Huber").cells()
        full_book.put("promises", cells, entry)
    assert "promises.client_id in row 2" in names_in(full_book.path)[0]


def names_in(log: Path) -> list[str]:
    notes = forecast.read_log(log).report.notes
    return [str(note) for note in notes if note.code == "log.lone_names"]


def test_an_export_taken_over_gives_the_same_export_to_the_byte(full_book, tmp_path):
    kept = full_book.keep(promised(facts="infection;minor", price=780.0), by="op1")
    course = full_book.course(kept.course_id)
    for weeks in (16, 8):
        course = full_book.write_session(
            kept.course_id, visit(weeks, 5), version=course.version, by="op1"
        )
    full_book.undo(kept.course_id, version=course.version, by="op2")
    export_daybook(full_book.path, tmp_path / "one")
    with make_daybook(tmp_path / "again.sqlite") as again:
        assert take_over(again, tmp_path / "one")["promises"] == 1
        assert again.history(kept.course_id) == full_book.history(kept.course_id)
        export_daybook(again.path, tmp_path / "two")
        next_one = again.keep(promised(), by="op1")
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")
    assert next_one.promise_no == 2
    assert read_promises(tmp_path / "one") == read_promises(full_book.path)
    described = json.loads((tmp_path / "one" / "datapackage.json").read_text())
    assert [one["name"] for one in described["resources"]][-1] == "promises"
    csv = tmp_path / "one" / "sessions.csv"
    csv.write_text(csv.read_text() + "\n")
    with (
        make_daybook(tmp_path / "third.sqlite") as third,
        pytest.raises(DataError, match="changed"),
    ):
        take_over(third, tmp_path / "one")
    with pytest.raises(RequestError, match="no export"):
        export_daybook(full_book.path, tmp_path)


@pytest.mark.parametrize("undone", [False, True])
def test_promises_without_a_course_go_out_and_come_back_to_the_byte(book, tmp_path, undone):
    kept = [book.keep(promised(f"k{number}", price=780.5), by="op1") for number in range(3)]
    if undone:  # a course that was begun and taken back is none either
        course = book.course(kept[0].course_id)
        course = book.write_session("k0-1", visit(2, 0), version=course.version, by="op1")
        book.undo("k0-1", version=course.version, by="op1")
    book.book.execute("INSERT INTO about VALUES ('cleared_at', '90.0')")
    assert len(export_daybook(book.path, tmp_path / "one").courses) == 0
    with make_daybook(tmp_path / "again.sqlite") as again:
        assert take_over(again, tmp_path / "one") == {"courses": 0, "promises": 3}
        export_daybook(again.path, tmp_path / "two")
        assert again.course("k1-1").promises == book.course("k1-1").promises
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")
    assert read_promises(tmp_path / "one") == tuple(kept)
    described = json.loads((tmp_path / "one" / "datapackage.json").read_text())
    assert [one["name"] for one in described["resources"]] == ["promises"]
    assert described["cleared_at"] == 90


def test_an_export_over_an_older_one_leaves_no_table_of_it(book, tmp_path):
    course = book.course(book.keep(promised(), by="op1").course_id)
    given = {"version": course.version, "by": "op1"}
    course = book.write_session(course.course_id, visit(2, 0), **given)
    export_daybook(book.path, tmp_path / "one")
    book.undo(course.course_id, version=course.version, by="op1")
    export_daybook(book.path, tmp_path / "one")
    assert [one.name for one in (tmp_path / "one").glob("*.csv")] == ["promises.csv"]
    export_daybook(book.path, tmp_path / "two")
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")


def register_line(name: str, day: str, high: int = 9) -> str:
    chances = [0.1] * 10
    entry = {"enquiry_id": name, "issued_on": day, "goal": "clear", "level": 0.8}
    return json.dumps({**entry, "median": 5, "interval": [2, high], "pmf": chances})


def test_an_old_register_is_read_once_torn_lines_and_all(book, tmp_path):
    lines = [register_line("c1", "2025-03-01"), register_line("c1", "2025-06-01", 8)]
    lines += ['{"enquiry_id": "x", "pm', register_line("c2", "2025-04-01")]
    register = tmp_path / "old.jsonl"
    register.write_text("\n".join(lines) + "\n")
    assert take_over(book, register) == {"courses": 0, "promises": 3, "torn": [3]}
    kept = read_promises(book.path)
    assert [(one.promise_no, one.course_id, one.high) for one in kept] == [
        (1, "c1", 9), (2, "c1", 8), (3, "c2", 9),
    ]  # fmt: skip
    assert kept[0].chances == pytest.approx([n / 10 for n in range(1, 11)])
    assert take_over(book, register)["promises"] == 0
    register.write_text("{}\n")
    with pytest.raises(DataError, match=r"Line 1 of .* is no promise"):
        take_over(book, register)


def test_a_book_that_fails_to_be_made_leaves_nothing_behind(tmp_path):
    (tmp_path / "log").mkdir()
    with pytest.raises(DataError):
        begin_daybook(tmp_path / "new.sqlite", tmp_path / "log")
    assert [path.name for path in tmp_path.iterdir()] == ["log"]


def test_columns_of_the_clinics_own_are_taken_over_kept_and_forgotten(small_log, tmp_path):
    places = range(len(small_log.courses))
    own = {
        "sun_exposure": ["often" if at % 3 else None for at in places],
        "visits": [at / 3 if at % 5 else None for at in places],
    }
    written = replace(small_log, courses=small_log.courses.assign(**own))
    write_log(written, tmp_path / "log")
    begin_daybook(tmp_path / "book.sqlite", tmp_path / "log")
    courses = forecast.read_log(tmp_path / "book.sqlite").courses
    assert courses.equals(forecast.read_log(tmp_path / "log").courses)
    export_daybook(tmp_path / "book.sqlite", tmp_path / "one")
    begin_daybook(tmp_path / "again.sqlite", tmp_path / "one")
    export_daybook(tmp_path / "again.sqlite", tmp_path / "two")
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")
    for name, content in files_of(tmp_path / "log").items():
        assert name == "datapackage.json" or files_of(tmp_path / "one")[name] == content
    running = courses.query("outcome == 'ongoing' and visits > 0 and sun_exposure == 'often'")
    code, visits = running.iloc[0][["course_id", "visits"]]
    with Daybook(tmp_path / "again.sqlite") as book:
        course = book.course(code)
        assert course.enquiry.extra == {"sun_exposure": "often", "visits": visits}
        book.write_session(code, visit(0), version=course.version, by="op1")
        book.forget(course.client_id, by="op1")
    left = forecast.read_log(tmp_path / "again.sqlite").courses
    assert left["visits"].notna().sum() < courses["visits"].notna().sum()
    assert json.dumps(visits).encode() not in (tmp_path / "again.sqlite").read_bytes()


def test_numbers_go_out_and_come_back_to_the_last_bit(full_book, tmp_path):
    # of these texts SQLite misreads the first three, and pandas the last
    odd = [58.91570855144926, 33.49668730242254, 47.83046178093959, 2.3333333333333335]
    with full_book.entry("session", "op1") as entry:
        for part, number in enumerate(odd, start=2):
            cells = {"course_id": "C0001", "session_no": 1, "treated_on": "2017-01-01"}
            full_book.put(
                "sessions", {**cells, "regime": "ns", "part": part, "fluence_j_cm2": number}, entry
            )
    export_daybook(full_book.path, tmp_path / "one")
    begin_daybook(tmp_path / "again.sqlite", tmp_path / "one")
    export_daybook(tmp_path / "again.sqlite", tmp_path / "two")
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")
    for place in (tmp_path / "again.sqlite", tmp_path / "one"):
        assert set(odd) <= set(forecast.read_log(place).sessions["fluence_j_cm2"])


def test_an_export_is_of_one_moment_or_refused(book, tmp_path, monkeypatch):
    from forecast.daybook import package

    book.keep(promised(), by="op1")

    def while_another_writes(path):
        with Daybook(path) as other:
            other.keep(promised("k901"), by="op2")
        return read_promises(path)

    monkeypatch.setattr(package, "read_promises", while_another_writes)
    with pytest.raises(RequestError, match="written to meanwhile"):
        export_daybook(book.path, tmp_path / "out")
    monkeypatch.undo()
    export_daybook(book.path, tmp_path / "out")
    assert len(read_promises(tmp_path / "out")) == 2


def test_a_book_of_before_a_column_came_in_is_exported_as_books_are_today(tmp_path):
    shutil.copy(WRITTEN / "daybook-1.sqlite", tmp_path / "old.sqlite")
    export_daybook(tmp_path / "old.sqlite", tmp_path / "once")
    begin_daybook(tmp_path / "new.sqlite", tmp_path / "once")
    export_daybook(tmp_path / "new.sqlite", tmp_path / "again")
    assert files_of(tmp_path / "again") == files_of(tmp_path / "once")
