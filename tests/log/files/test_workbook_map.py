"""Any workbook: a map is proposed, corrected and read; what is wrong is named with its cell."""

import json
import re
import tomllib
from pathlib import Path

import openpyxl
import pytest

from forecast.cli import main
from forecast.errors import DataError
from forecast.invented import simulate_log
from forecast.log import TABLES, read_log
from forecast.log.files import propose_map
from forecast.log.outcome_log import OutcomeLog

SHIPPED = Path(__file__).parents[3] / "synthetic_data" / "deutsche_praxis.xlsx"
SEED = 20240311  # of the shipped workbook


@pytest.fixture(scope="module")
def mapped(tmp_path_factory):
    """The proposed map of the German workbook, with the one word that is left open filled in."""
    path = tmp_path_factory.mktemp("map") / "columns.toml"
    text, _ = propose_map(SHIPPED, path)
    path.write_text(text.replace('# "Bein" = ""', '"Bein" = "thigh"'), "utf-8")
    return path


@pytest.fixture(scope="module")
def german(mapped):
    return read_log(SHIPPED, columns=mapped)


def test_without_a_map_the_next_step_is_named():
    with pytest.raises(DataError, match=r"it has '2017', .*\. Next: .*--propose-map columns.toml"):
        read_log(SHIPPED)


def test_a_german_workbook_is_read_by_its_map(german):
    truth = simulate_log(120, seed=SEED)
    for table, rows in german.report.rows.items():
        assert rows.rows_in == rows.used + rows.set_aside
        assert rows.used == len(getattr(truth, table)) or table == "reactions"
    both = german.courses.merge(truth.courses, on="course_id", suffixes=("", "_true"))
    assert len(both) == 120
    exact = ["started_on", "inks", "ink_density", "layering", "outcome", "sessions_given"]
    for name in exact:
        assert (both[name] == both[f"{name}_true"]).all(), name
    assert (both["skin_type"] != both["skin_type_true"]).sum() == 2  # II-III and III/IV
    assert (both["skin_type"] >= both["skin_type_true"]).all()
    assert both["age_years"].equals(both["age_years_true"])


def test_rows_of_totals_are_called_so_and_nothing_else_is_set_aside(german):
    aside = german.report.set_aside
    assert set(aside["rule"]) == {"a row of its own, not a row of totals"}
    assert len(aside) == 2 * german.courses["started_on"].dt.year.nunique()


def test_whatever_is_listed_stands_in_the_cell_that_is_named(german):
    book = openpyxl.load_workbook(SHIPPED)
    entries = german.report.to_dict()
    for one in [*entries["set_aside"], *entries["flagged"]]:
        sheet, _, cell = one["cell"].partition("!")
        assert str(book[sheet][cell].value) == one["value"]
    assert any(one["cell"].startswith("2019!A") for one in entries["set_aside"])


def test_the_commands_go_from_any_workbook_to_a_checked_log(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["check", str(SHIPPED)]) == 1
    assert "--propose-map" in capsys.readouterr().err
    assert main(["check", str(SHIPPED), "--propose-map", "columns.toml"]) == 0
    assert "--columns columns.toml" in capsys.readouterr().out
    assert main(["check", str(SHIPPED), "--columns", "columns.toml", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["rows"]
    assert rows["courses"]["in"] == 136
    sheet = openpyxl.load_workbook("to-correct.xlsx")["courses"]
    assert [row[0] for row in sheet.values] == ["where", "2018!F9", "2019!F9", "2021!F9", "2022!F9"]


@pytest.fixture
def book(tmp_path):
    """A small English workbook with headings and words of its own."""
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.title = "Removals"
    sheet.append(["Case no", "Client", "Start", "Skin", "Site", "Colours", "Density", "Cover up",
                  "Sessions", "Result", "Surname"])  # fmt: skip
    for n in range(1, 4):
        sheet.append([f"k{n}", f"p{n}", f"2{n}.06.2021", "IV", "calf", "black/pink", "heavy", "no",
                      4, "all gone", "Miller"])  # fmt: skip
    path = tmp_path / "book.xlsx"
    made.save(path)
    return path


def proposed(book):
    file = book.parent / "columns.toml"
    text, brief = propose_map(book, file)
    file.write_text(text, "utf-8")
    return file, text, brief


def test_words_that_are_not_known_are_asked_and_people_are_kept_out(book):
    file, text, brief = proposed(book)
    assert tomllib.loads(text)["courses"]["columns"]["Surname"] == ""
    assert "kept out: a name" in text
    assert '# "all gone" = ""' in text
    assert brief[0].endswith("1 word to settle.")
    file.write_text(text.replace('# "all gone" = ""', '"all gone" = "cleared"'), "utf-8")
    log = read_log(book, columns=file)
    assert list(log.courses["outcome"]) == ["cleared"] * 3
    assert list(log.courses["body_site"]) == ["lower_leg"] * 3
    assert list(log.courses["inks"]) == ["black;pink"] * 3
    assert "Surname" not in str(log.report.to_dict())


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            '"Site" = "body_site"',
            '"Site" = "inks"',
            r"two columns for inks: Removals!E1 \('Site'\)",
        ),
        ('"Site" = "body_site"', '"Site" = "sites"', "names a column 'sites'"),
        ('"Site" = "body_site"', '"Site" = "inks"\n"Site" = "x"', "is not written as TOML"),
        ('sheets = ["Removals"]', 'sheets = ["Removal"]', "There are 'Removals'. Did you mean"),
        ('sheets = ["Removals"]', "sheets = 1", "no table with a list of sheets"),
        ("[courses.columns]", "in_every_row = 3\n[courses.columns]", "no table with a list of"),
        ('"calf" = "lower_leg"', '"calf" = "lower leg!"', "gives 'calf' as 'lower leg!'"),
        ("[courses]", "cleared_judged = 3\n[courses]", "gives cleared_judged as 3"),
        ("[courses", "[cases", "'cases', which is no table"),
    ],
)
def test_a_map_that_cannot_be_is_refused_in_one_sentence(book, old, new, says):
    file, text, _ = proposed(book)
    assert old in text
    file.write_text(text.replace(old, new), "utf-8")
    with pytest.raises(DataError, match=says) as refused:
        read_log(book, columns=file)
    assert len(str(refused.value).splitlines()) == 1


def test_a_sheet_without_the_headings_of_the_map_is_named(book):
    file, _, _ = proposed(book)
    made = openpyxl.load_workbook(book)
    made["Removals"].delete_rows(1)
    made.save(book)
    with pytest.raises(DataError, match="Sheet 'Removals', from A1 on, has none of the headings"):
        read_log(book, columns=file)


def test_headings_given_twice_are_named_with_their_cells(tmp_path):
    made = openpyxl.Workbook()
    made.active.title = "courses"
    made.active.append(["course_id", "client_id", "Course ID"])
    made.active.append(["a", "b", "c"])
    made.save(tmp_path / "log.xlsx")
    with pytest.raises(DataError, match="two columns for course_id: courses!A1 and courses!C1"):
        read_log(tmp_path / "log.xlsx")


@pytest.mark.parametrize("rows", [[], [["a price list"], [150]], [["Miller", 3, 4, 5]]])
def test_a_workbook_without_courses_says_what_it_has(tmp_path, rows):
    made = openpyxl.Workbook()
    made.active.title = "Prices"
    for row in rows:
        made.active.append(row)
    made.save(tmp_path / "log.xlsx")
    with pytest.raises(DataError, match="headings like those of courses: it has 'Prices'") as no:
        propose_map(tmp_path / "log.xlsx", Path("columns.toml"))
    assert "forecast workbook NEW.xlsx" in str(no.value)


def test_a_map_without_a_required_column_says_where_to_name_it(book, capsys):
    file, text, _ = proposed(book)
    file.write_text(text.replace('"Case no" = "course_id"', '"Case no" = ""'), "utf-8")
    command = ["check", str(book), "--columns", str(file), "--language"]
    for language, says in (
        ("en", "has no column course_id. Under [courses.columns] in columns.toml, give the head"),
        ("de", "fehlt die Spalte course_id. Unter [courses.columns] in columns.toml die Über"),
    ):
        assert main([*command, language]) == 1
        assert says in capsys.readouterr().err


def test_without_a_map_a_missing_column_is_named_in_german(tmp_path, capsys):
    (tmp_path / "lasers.csv").write_text("laser_id;regime\nyag;ns\n")
    simulate_log(5, seed=1).courses.to_csv(tmp_path / "courses.csv", index=False)
    assert main(["check", str(tmp_path), "--language", "de"]) == 1
    said = capsys.readouterr().err
    assert "In der Tabelle lasers fehlt die Spalte wavelengths_nm" in said
    assert "wavelengths_nm ergänzen: Zahlen durch ; getrennt, jede von 400 bis 1100" in said


@pytest.mark.parametrize(
    "headings",
    [
        ("Lfd. Nr.", "Kd.-Nr.", "Beginn", "Anzahl Sitzungen", "Ergebnis"),
        ("Dossier", "No client", "Date 1ère séance", "Nb séances", "Résultat"),
    ],
)
def test_abbreviated_headings_are_known(tmp_path, headings):
    made = openpyxl.Workbook()
    made.active.title = "Dossiers"
    made.active.append(list(headings))
    made.active.append(["a", "b", "2021-03-02", 5, "abandon"])
    made.save(tmp_path / "log.xlsx")
    _, text, _ = proposed(tmp_path / "log.xlsx")
    columns = ["course_id", "client_id", "started_on", "sessions_given", "outcome"]
    assert tomllib.loads(text)["courses"]["columns"] == dict(zip(headings, columns, strict=True))


def test_french_and_spanish_headings_are_known(tmp_path):
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.title = "Dossiers"
    sheet.append(["Dossier", "No client", "Début", "Phototype", "Zona", "Couleurs", "Densité",
                  "Couches", "Nombre de séances", "Résultat"])  # fmt: skip
    sheet.append(
        ["a", "b", "2021-03-02", "3", "mollet", "noir et rouge", "forte", "non", 5, "effacé"]
    )
    made.save(tmp_path / "log.xlsx")
    file, _, brief = proposed(tmp_path / "log.xlsx")
    assert "10 of 10 headings known; 0 words" in brief[0]
    read = read_log(tmp_path / "log.xlsx", columns=file).courses.iloc[0]
    assert (read["body_site"], read["inks"], read["ink_density"]) == (
        "lower_leg",
        "black;red",
        "heavy",
    )


def test_an_empty_workbook_has_lists_comments_and_an_example_that_is_never_used(tmp_path):
    path = tmp_path / "new.xlsx"
    assert main(["workbook", str(path)]) == 0
    assert main(["workbook", str(path)]) == 1  # there already
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == list(TABLES)
    for sheet in book:
        rules = TABLES[sheet.title]
        assert [cell.value for cell in sheet[1]] == [rule.name for rule in rules]
        assert all(cell.comment.text for cell in sheet[1])
        assert sheet.freeze_panes == "A2"
        lists = [rule for rule in rules if rule.kind in ("level", "flag")]
        assert sheet.data_validations.count == len(lists)
    report = read_log(path).report
    assert {rows.used for rows in report.rows.values()} == {0}
    assert set(report.set_aside["rule"]) == {"a row of the clinic's own, not the example"}
    book["courses"]["A2"] = "k1"
    book.save(path)
    assert read_log(path).report.rows["courses"].used == 1


def test_the_report_is_written_in_german():
    report = read_log(SHIPPED.with_name("messy_clinic.xlsx")).report
    said = report.to_text(examples=50, language="de")
    known = {"row", "the", "Write", "Correct", "rule", "time", "first", "Perhaps", "until", "used"}
    quoted = re.sub(r"'[^']*'", "", said)
    assert known & set(re.findall(r"\w+", quoted)) == set()
    assert len(said.splitlines()) == len(report.to_text(examples=50).splitlines())
    assert "Courses!F9: 'arm'" in said
    assert "Vielleicht ist Oberarm oder Unterarm gemeint." in said


def test_a_map_is_in_the_language_asked_for_and_names_its_folder(tmp_path, monkeypatch):
    text, _ = propose_map(SHIPPED, tmp_path / "m.toml", language="de")
    english, _ = propose_map(SHIPPED, tmp_path / "m.toml")
    assert tomllib.loads(text) == tomllib.loads(english)
    assert text.startswith(f"# Wie die Blätter von {SHIPPED.name} zu den Daten werden.")
    assert "; kein Teil der Daten" in text
    assert not re.search(r"# .*\b(kept out|times|one of|not known|missing)\b", text)
    folder = tmp_path / "praxis"
    folder.mkdir()
    (folder / SHIPPED.name).write_bytes(SHIPPED.read_bytes())
    simulate_log(9, seed=1).courses.to_csv(folder / "Kurse.csv", index=False)
    monkeypatch.chdir(folder)
    assert propose_map(".", "m.toml")[0].startswith("# How the sheets of praxis become the log.")


CLIENTS = ["Fallnummer", "Kundennummer", "Beginn", "Hauttyp", "Stelle", "Farben", "Dichte",
           "Cover up", "Sitzungen", "Ergebnis"]  # fmt: skip
VISITS = ["Nr.", "Sitzung", "Datum", "Puls", "Aufhellung %", "Nebenwirkung", "Laser"]


def practice(folder, days=("24.02.2021", "31.03.2021"), visits=VISITS, head=CLIENTS):
    """Write a German workbook of two courses with two visits each."""
    made = openpyxl.Workbook()
    made.active.title = "Kunden"
    made.active.append(head)
    sheet = made.create_sheet("Termine")
    sheet.append(visits)
    reactions = iter(["keine", "-", "Blasen", None])
    for n, day in enumerate(days):
        course = f"k{n}"
        made.active.append([course, f"p{n}", day, "III", "Wade", "schwarz", "mittel", "nein", 2,
                            "läuft noch"])  # fmt: skip
        for session, date in ((1, day), (2, f"05.0{n + 5}.2022")):
            cells = {"Nr.": course, "Sitzung": session, "Datum": date, "Puls": "ns", "Laser": "Q1"}
            cells |= {"Aufhellung %": 20 if session > 1 else None}
            cells["Nebenwirkung"] = next(reactions)
            sheet.append([cells[heading] for heading in visits])
    made.save(folder / "praxis.xlsx")
    return folder / "praxis.xlsx"


def read_with(book, add="", text=None):
    file = book.parent / "columns.toml"
    file.write_text((text or propose_map(book, file)[0]) + add, "utf-8")
    return read_log(book, columns=file)


def test_of_two_headings_the_plainer_word_means_the_column(tmp_path):
    book = practice(tmp_path)
    columns = tomllib.loads(proposed(book)[1])["sessions"]["columns"]
    assert columns["Nr."] == "course_id"
    assert columns["Sitzung"] == "session_no"
    assert len(read_with(book).sessions) == 4


@pytest.mark.parametrize(
    ("headings", "columns"),
    [
        (["Fall", "Nr.", "Datum"], ["course_id", "session_no", "treated_on"]),
        (["Lfd. Nr.", "Fall", "Sitzung", "Datum"],
         [None, "course_id", "session_no", "treated_on"]),
        (["Sitzung", "Datum", "Nr."], ["session_no", "treated_on", "course_id"]),
    ],
)  # fmt: skip
def test_a_number_means_what_no_other_heading_means(tmp_path, headings, columns):
    book = practice(tmp_path)
    made = openpyxl.load_workbook(book)
    del made["Termine"]
    made.create_sheet("Sitzungen").append(headings)
    made.save(book)
    found = tomllib.loads(proposed(book)[1])["sessions"]["columns"]
    assert [found.get(heading) for heading in headings] == columns


REACTIONS = """
[reactions]
sheets = ["Termine"]
[reactions.columns]
"Nr." = "course_id"
"Sitzung" = "after_session"
"Nebenwirkung" = "reaction"
"Aufhellung %" = ""
[gradings]
sheets = ["Termine"]
[gradings.columns]
"Nr." = "course_id"
"Sitzung" = "after_session"
"Datum" = "graded_on"
"Aufhellung %" = "fading_pct"
"Nebenwirkung" = ""
"""


def test_a_visit_without_a_reaction_or_a_grading_is_none_and_no_fault(tmp_path):
    book = practice(tmp_path)
    assert "belongs as reaction in a table [reactions]" in proposed(book)[1]
    report = read_with(book, REACTIONS).report
    assert report.rows["reactions"].rows_in == report.rows["reactions"].used == 1
    assert report.rows["gradings"].rows_in == report.rows["gradings"].used == 2
    assert report.set_aside.empty
    assert not report.to_correct["reactions"].size
    said = report.to_text(language="de")
    assert "Ohne Reaktion: 3 Zeilen von reactions (leer, keine, - oder nein)" in said
    assert "Ohne Beurteilung: 2 Zeilen von gradings (leer)" in said


def test_a_word_that_the_map_gives_as_empty_is_empty(tmp_path):
    book = practice(tmp_path)
    given = '[reactions.words.reaction]\n"Blasen" = ""\n'
    log = read_with(book, f"{REACTIONS}{given}")
    assert log.report.rows["reactions"].rows_in == 0
    dropped = proposed(book)[1].replace('"schwarz" = "black"', '"schwarz" = ""')
    assert set(read_with(book, text=dropped).report.set_aside["value"]) >= {"schwarz"}


def test_a_reaction_with_a_severity_is_never_none():
    log = simulate_log(60, seed=3)
    rows = log.reactions.head(3).assign(reaction=["keine", "none", "nein"], severity=None)
    rows["lasting"] = ["no", None, None]
    rows.loc[2, "severity"] = "mild"
    report = OutcomeLog.from_frames(log.courses, reactions=rows).report
    assert report.rows["reactions"].rows_in == 1
    assert list(report.set_aside["value"]) == ["nein"]
    empty = OutcomeLog.from_frames(log.courses, reactions=rows.assign(reaction="")).report
    assert len(empty.set_aside) == 3  # the log's own form has no row without a reaction


def test_the_words_for_none_are_not_asked_about(tmp_path):
    book = practice(tmp_path, visits=[one for one in VISITS if one != "Puls"])
    made = openpyxl.load_workbook(book)
    made["Termine"].title = "Nebenwirkungen"
    made.save(book)
    text = proposed(book)[1]
    assert "[reactions]" in text
    assert '"keine"' not in text


def test_a_sheet_without_a_regime_is_read_in_each_way_that_is_named(tmp_path, capsys):
    book = practice(tmp_path, visits=[one for one in VISITS if one != "Puls"])
    file, text, _ = proposed(book)
    assert "# missing: regime, one of ns, ps; give the heading" in text
    assert main(["check", str(book), "--columns", str(file), "--language", "de"]) == 1
    said = capsys.readouterr().err
    assert 'unter [sessions.in_every_row]: regime = "ns"' in said
    assert "[sessions.words.regime]" in said
    assert "oder die Tabelle [sessions] löschen" in said
    assert (
        read_with(book, '[sessions.in_every_row]\nregime = "ps"\n')
        .sessions["regime"]
        .eq("ps")
        .all()
    )
    by_laser = text.replace('"Laser" = "laser_id"', '"Laser" = "regime"')
    given = '[sessions.words.regime]\n"Q1" = "ps"\n'
    assert read_with(book, given, text=by_laser).sessions["regime"].eq("ps").all()
    assert read_with(book, text=text.partition("[sessions]")[0]).sessions.empty
    with pytest.raises(DataError, match=r"'fast', which sessions\.regime cannot be"):
        read_with(book, '[sessions.in_every_row]\nregime = "fast"\n')


def test_what_is_the_same_for_all_courses_is_named_once(tmp_path):
    book = practice(tmp_path, head=[*CLIENTS[:7], "", *CLIENTS[8:]])
    with pytest.raises(DataError, match=r"\[courses.in_every_row\]: layering = \"single\"") as no:
        read_with(book)
    assert "delete" not in str(no.value)
    log = read_with(book, '[courses.in_every_row]\nlayering = "single"\n')
    assert set(log.courses["layering"]) == {"single"}


def test_dates_whose_order_nothing_proves_are_one_line_of_the_map(tmp_path):
    book = practice(tmp_path, days=("03.04.21", "05.04.21"))
    _, text, brief = proposed(book)
    line = (
        "# date_order = \"day\"  # 4 times nothing proves which part is the day, as in '03.04.21'"
    )
    assert line in text
    assert all("1 word to settle" in one for one in brief)
    assert "03.04.21" not in text.replace(line, "")
    assert read_with(book).courses.empty
    for order, days in (("day", [3, 5]), ("month", [4, 4])):
        stated = text.replace('# date_order = "day"', f'date_order = "{order}"')
        assert [day.day for day in read_with(book, text=stated).courses["started_on"]] == days
    with pytest.raises(DataError, match=r"columns\.toml gives date_order as 'year'"):
        read_with(book, text=text.replace('# date_order = "day"', 'date_order = "year"'))


def test_german_dates_written_out_or_with_short_years_need_no_map(tmp_path):
    days = ("5. März 2021", "12. Oktober 2021")
    assert len(read_with(practice(tmp_path, days=days)).courses) == 2
    days = ("24.02.21", "31.03.21", "05.01.21")
    book = practice(tmp_path, days=days[:2])
    made = openpyxl.load_workbook(book)
    made["Kunden"].append(["k9", "p9", "05.01.21", "III", "Wade", "schwarz", "mittel", "nein", 2,
                           "läuft noch"])  # fmt: skip
    made.save(book)
    text = proposed(book)[1]
    assert ".21" not in text
    assert len(read_with(book, text=text).courses) == 3
