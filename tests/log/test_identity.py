"""Columns that say who a client is are refused, by heading and by content."""

import csv
import json
import runpy
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from forecast.errors import DataError
from forecast.invented import simulate_log
from forecast.log.identity import quoted
from forecast.log.outcome_log import OutcomeLog


@pytest.fixture(scope="module")
def courses():
    return simulate_log(60, seed=3).courses


def refused(courses):
    with pytest.raises(DataError) as caught:
        OutcomeLog.from_frames(courses)
    return caught.value


@pytest.mark.parametrize(
    "heading",
    [
        "name", "Client Name", "first_name", "Surname", "e-mail", "Email address", "phone",
        "Mobile No", "address", "Postcode", "ZIP", "date_of_birth", "DOB", "birthday",
        "passport number", "instagram",
    ],
)  # fmt: skip
def test_a_telling_heading_is_refused_even_when_empty(courses, heading):
    error = refused(courses.assign(**{heading: ""}))
    assert heading in error.problem
    assert "Drop" in error.remedy


@pytest.mark.parametrize(
    ("heading", "shown"),
    [("file 4912", "file 4912"), ("file 49123", "column 3"), ("x" * 41, "column 3")],
)
def test_a_heading_that_is_hardly_one_is_named_by_its_place(heading, shown):
    assert quoted(heading, 3) == shown


PEOPLE = ["Anna Schmidt", "John O'Neil", "Maria Garcia", "Li Wei", "Zoë Müller", "Ola Nordmann"]


@pytest.mark.parametrize(
    ("what", "texts"),
    [
        ("names of people", PEOPLE),
        ("names of people", [f"{name.split()[1]}, {name.split()[0]}" for name in PEOPLE]),
        ("e-mail addresses", ["asked for ink list", "anna@example.org wrote"]),
        ("phone numbers", ["call 07700 900123 first", "pays cash"]),
        ("phone numbers", ["+44 7700 900123", ""]),
        ("addresses", ["came by bus", "12 High Street"]),
        ("addresses", ["Hauptstraße 5", "near"]),
        ("birth dates", ["1990-02-03", "1985-11-30", "1979-01-01", "1999-07-14"]),
        ("birth dates", ["03/02/1990", "30/11/1985", "01/01/1979", "14/07/1999"]),
    ],
)
def test_telling_content_is_refused_under_an_innocent_heading_and_never_repeated(
    courses, what, texts
):
    repeated = [texts[i % len(texts)] for i in range(len(courses))]
    error = refused(courses.assign(remark=repeated))
    assert f"courses.remark ({what})" in error.problem
    for text in texts:
        assert not text or text not in str(error)


def test_names_in_the_place_of_pseudonyms_are_refused(courses):
    named = [PEOPLE[i % len(PEOPLE)] for i in range(len(courses))]
    assert "courses.client_id" in refused(courses.assign(client_id=named)).problem


def test_all_telling_columns_are_named_at_once(courses):
    error = refused(courses.assign(email="", phone="", dob=""))
    assert error.problem.startswith("3 columns")


def test_other_tables_are_looked_at_too(courses):
    log = simulate_log(60, seed=3)
    operators = log.sessions["operator_id"].map({"op1": "Anna Schmidt"}).fillna("Bea Berg")
    with pytest.raises(DataError, match=r"sessions\.operator_id"):
        OutcomeLog.from_frames(courses, log.sessions.assign(operator_id=operators))


@pytest.mark.parametrize(
    ("heading", "texts"),
    [
        ("package_name", ["Six Block", "Until Clear"]),
        ("remark", ["slow fading", "very sore", "happy"]),
        ("last_seen", ["2023-02-03", "2024-11-30"]),
        ("room", ["1", "2"]),
        ("tattooed_on", ["2012-05-01", "2015-03-20", "2019-01-31"]),
        ("device", ["Alpha One", "Beta Two"]),
    ],
)
def test_innocent_columns_are_listed_and_change_no_other(courses, heading, texts):
    repeated = [texts[i % len(texts)] for i in range(len(courses))]
    log = OutcomeLog.from_frames(courses.assign(**{heading: repeated}))
    assert log.report.extra_columns == {"courses": (heading,)}
    pd.testing.assert_frame_equal(log.courses[courses.columns], courses)


def test_a_dropped_column_is_no_longer_missed(courses):
    telling = courses.assign(email="a@example.org")
    log = OutcomeLog.from_frames(telling.drop(columns="email"))
    pd.testing.assert_frame_equal(log.courses, courses)


def test_birth_dates_are_found_in_a_log_of_thousands_of_courses(courses):
    many = pd.concat([courses] * 120, ignore_index=True)
    many["course_id"] = [f"c{number}" for number in range(len(many))]
    born = pd.Timestamp("1970-05-05") + pd.to_timedelta([37 * k % 9000 for k in many.index], "D")
    assert "birth dates" in refused(many.assign(since=born)).problem
    assert "birth dates" in refused(many.assign(since=born.strftime("%Y-%m-%d"))).problem


HERE = Path(__file__).parent
with (HERE / "spellings.csv").open(encoding="utf-8", newline="") as file:
    SPELLINGS = list(csv.reader(file))


def test_the_spellings_are_those_of_their_seed():
    assert runpy.run_path(str(HERE / "make_spellings.py"))["cases"]() == SPELLINGS
    assert len(SPELLINGS) == 200


def is_refused(courses, heading, texts):
    column = [texts[i % len(texts)] for i in range(len(courses))]
    try:
        OutcomeLog.from_frames(courses.assign(**{heading: column}))
    except DataError as error:
        return not any(text in str(error) for text in texts)
    return False


def test_nineteen_of_twenty_spellings_of_people_are_refused(courses):
    let_in = [
        (kind, style)
        for kind, style, *texts in SPELLINGS
        if not is_refused(courses, "client_id" if kind == "name" else "remark", texts)
    ]
    assert len(let_in) <= 0.05 * len(SPELLINGS), let_in


def test_free_text_goes_no_further_than_the_reader(courses):
    spoilt = courses.assign(remark=[f"was here on visit {i}" for i in range(len(courses))])
    spoilt["skin_type"] = ["purple", *spoilt["skin_type"][1:]]
    spoilt["started_on"] = ["never", *spoilt["started_on"][1:].astype(str)]
    log = OutcomeLog.from_frames(spoilt)
    assert len(log.report.to_correct["courses"]) == 1
    held = [log.courses, log.report.to_correct["courses"], log.report.set_aside]
    assert not any("was here" in frame.to_csv() for frame in held)


CODES = [
    [f"P{i:04}" for i in range(60)],
    [str(i) for i in range(60)],
    [f"client-{i}" for i in range(60)],
    [f"Patient {i:03}" for i in range(60)],
    [f"{i:08x}-9d3c-4b1a-8f00-0123456789ab" for i in range(60)],
    [f"{chr(65 + i % 26)}{chr(65 + i % 7)}-{100 + i}" for i in range(60)],
    [f"2024/{i}" for i in range(60)],
    [*(f"k{i}" for i in range(57)), "unknown", "n/a", "?"],
    [chr(97 + i % 26) for i in range(60)],
]


@pytest.mark.parametrize("codes", CODES, ids=lambda codes: codes[5])
def test_codes_of_any_make_are_clients(courses, codes):
    OutcomeLog.from_frames(courses.assign(client_id=codes))


def test_names_among_codes_are_found(courses):
    codes = [name if i % 5 == 0 else f"P{i}" for i, name in enumerate(PEOPLE * 10)]
    error = refused(courses.assign(client_id=codes))
    assert "courses.client_id (not codes such as c001)" in error.problem


@pytest.mark.parametrize("name", ["Huber", "Maria Huber", "schmidt1", "Anna"])
def test_a_lone_name_among_codes_is_said_and_not_repeated(courses, name):
    codes = [f"P{i}" for i in range(60)]
    report = OutcomeLog.from_frames(courses.assign(client_id=[*codes[:-1], name])).report
    (note,) = report.notes
    assert note.code == "log.lone_names"
    assert "courses.client_id in row 61" in str(note)
    assert "courses.client_id in Zeile 61" in note.say("de")
    assert name not in json.dumps(report.to_dict())


@pytest.mark.parametrize("codes", [*CODES, ["XKQ", *CODES[0][1:]]], ids=lambda codes: codes[0])
def test_no_code_is_said_to_be_a_name(courses, codes):
    assert not OutcomeLog.from_frames(courses.assign(client_id=codes)).report.notes


INNOCENT = {
    "room": ["1", "2"],
    "package_name": ["Six Block", "Until Clear", "Ten Block", "Single"],
    "invoice_no": [str(2024000100 + 7 * i) for i in range(60)],
    "remark": ["slow fading", "very sore", "happy, comes again", "cream given", "Lower Arm"],
    "laser_setting": ["1064 NM", "532 NM", "755 NM"],
    "price": ["120.00", "95.50", "1,200.00"],
    "tattoo_style": ["Old School", "Tribal", "Lettering", "Portrait"],
    "artist_studio": ["North Side", "Blue Door", "Old Mill"],
    "last_seen": ["2023-02-03", "2024-11-30", "03.04.2025"],
    "tattooed_in": ["2012", "2015", "2019", "2008"],
    "nombre_de_seances": ["3", "4", "5"],
    "fluence": ["2.5", "3.1", "4.0"],
}


@pytest.mark.parametrize("seeds", [range(10), pytest.param(range(10, 50), marks=pytest.mark.slow)])
def test_of_fifty_clean_logs_with_columns_of_their_own_none_is_refused(seeds):
    for seed in seeds:
        log = simulate_log(60, seed=seed)
        own = {
            name: [texts[(seed + i) % len(texts)] for i in range(60)]
            for name, texts in INNOCENT.items()
        }
        tables = {name: getattr(log, name) for name in ("sessions", "gradings", "reactions")}
        OutcomeLog.from_frames(log.courses.assign(**own), **tables)


HEADINGS = """
Vorname Nachname Geburtsdatum Telefon Handy Straße PLZ Wohnort Anschrift Krankenkasse Patient Kunde
prénom nom date_de_naissance téléphone adresse rue courriel nombre apellidos fecha_de_nacimiento
teléfono dirección calle correo nome cognome data_di_nascita telefono indirizzo codice_fiscale
voornaam achternaam geboortedatum telefoonnummer adres woonplaats bsn imię nazwisko data_urodzenia
numer_telefonu ulica pesel customer contact signature photo yob NI_number
"""


@pytest.mark.parametrize("heading", HEADINGS.split())
def test_headings_of_people_are_known_in_seven_languages(courses, heading):
    assert "courses." in refused(courses.assign(**{heading: "1"})).problem


def test_a_heading_that_is_a_person_is_not_quoted(courses):
    told = ["anna@schmidt.example", "0171 5551234", "Anna Schmidt", "Hauptstraße 5"]
    error = refused(courses.assign(**dict.fromkeys(told, "x"), email=""))
    assert not any(text in str(error) for text in told)
    assert "courses.email" in str(error)
    without = courses.drop(columns="inks").rename(columns={"smoker": "Anna Schmidt"})
    assert "Anna" not in str(refused(without))


def test_a_person_in_the_wrong_cell_is_masked_in_the_report(courses):
    wrong = "Anna Schmidt 0171 5551234"
    spoilt = courses.assign(body_site=[wrong, *courses["body_site"][1:]])
    report = OutcomeLog.from_frames(spoilt).report
    assert "(a phone number)" in report.to_text()
    assert "Schmidt" not in report.to_text() + str(report.to_dict())
    assert report.set_aside["value"].tolist() == [wrong]  # to be corrected by


BORN = [date(1950 + 7 * i % 50, 1 + i % 12, 1 + i % 28) for i in range(60)]


@pytest.mark.parametrize("form", ["%d.%m.%Y", "%Y-%m-%d", "%d/%m/%Y", "%d.%m.%y", "%Y%m%d"])
@pytest.mark.parametrize("name", ["client_id", "course_id"])
def test_birth_dates_in_the_place_of_codes_are_refused(courses, name, form):
    dates = [day.strftime(form) for day in BORN]
    error = refused(courses.assign(**{name: dates}))
    assert f"courses.{name} (birth dates)" in error.problem
    assert not any(one in str(error) for one in dates)
    some = [*dates[:50], *(f"P{i}" for i in range(10))]
    assert "birth dates" in refused(courses.assign(**{name: some})).problem


VISITS = pd.date_range("2019-01-07", periods=60, freq="23D")


@pytest.mark.parametrize(
    "codes",
    [
        [f"{day:%Y%m%d}-2" for day in VISITS],
        [f"{day:%Y%m%d}" for day in VISITS],
        [f"{day:%d.%m.%Y}" for day in VISITS],
        [f"{day:%y-%m-%d}" for day in VISITS],
        [str(20001 + 37 * i) for i in range(60)],  # would be days since 1900
        [str(1950 + i) for i in range(60)],
        [str(19600101 + i) for i in range(60)],
        [f"{1 + i % 28}-{1 + i % 12}-{40 + i % 50}" for i in range(60)],
        [f"{1950 + i}/{i}" for i in range(60)],
    ],
    ids=lambda codes: codes[5],
)
def test_running_numbers_and_days_of_visits_are_codes(courses, codes):
    OutcomeLog.from_frames(courses.assign(client_id=codes))


def test_birth_dates_are_found_whatever_the_order_of_their_years():
    texts = ["24.02.60", "31.03.72", "05.11.85"] * 20
    courses = simulate_log(60, seed=3).courses.assign(since=texts)
    assert "courses.since (birth dates)" in refused(courses).problem
