"""What the page sends is read field by field, and each has its own answer when it cannot be."""

import json
from pathlib import Path
from typing import Any

import pytest

import forecast
from forecast._notes import languages, texts_of
from forecast.errors import DataError, RequestError
from forecast.forecaster import Forecaster
from forecast.page.answer import answer
from forecast.page.desk import (
    Asked,
    Clinic,
    Desk,
    open_desk,
    read_asked,
    read_clinic,
)
from forecast.page.sheet import make_sheet, render_page
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
        ("start", "2020-01-01"),
        ("gradings", [["1", "50"]]),
        ("n", "soon"),
    ],
)
def test_a_wrong_value_is_answered_at_its_field(filled: dict[str, Any], field: str, value: Any):
    reading = read_asked({**filled, field: value})
    # what need not be there is left out of the answer
    spared = ("age_years", "area_cm2", "sessions_elsewhere", "spacing_weeks", "start")
    assert (reading.asked is not None) == (field in spared)
    assert list(reading.wrong) == [field]
    key, values = reading.wrong[field]
    assert ENGLISH.say(f"wrong.{key}", values)


def test_limits_are_written_as_the_language_writes_numbers_and_dates(filled: dict[str, Any]):
    off = {"area_cm2": "abc", "spacing_weeks": "0", "start": "9999-12-31"}
    _, said = read_asked(filled | off).told(load_words("de"))
    assert said["area_cm2"] == "Hier gehört eine Zahl von 0,01 bis 10.000 hin."
    assert said["spacing_weeks"] == "Hier gehört eine Zahl von 1 bis 104 hin."
    assert "31. Dezember 2099" in said["start"]


@pytest.mark.parametrize("rows", [[["3", "0.5"]], [["2", "60"], ["", ""], ["4", "30"]]])
def test_gradings_that_can_hardly_be_are_asked_about_at_the_field_until_checked(
    filled: dict[str, Any], rows: list[list[str]]
):
    sent = {**filled, "sessions_done": "4", "gradings": rows}
    reading = read_asked(sent)
    assert (reading.asked, reading.asked_back) == (None, ["gradings"])
    said = reading.told(ENGLISH)[1]["gradings"]
    assert said.startswith(f"Row {len(rows)}: A grading after session {rows[-1][0]} is ")
    checked = read_asked({**sent, "as_graded": "yes"}).asked
    assert checked is not None
    assert checked.gradings[-1] == (int(rows[-1][0]), float(rows[-1][1]))


def test_what_is_missing_is_named_and_nothing_is_wrong():
    reading = read_asked({"inks": [], "skin_type": ""})
    assert set(reading.missing) == {"inks", "ink_density", "layering", "body_site", "skin_type"}
    assert not reading.wrong


COMMON = forecast.Enquiry("II", "back", "black", "light", "single")
# The smallest PNG: one transparent pixel (W3C PNG specification, 3rd edition, chunks of 11.2).
PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d49444154789c6360"
    "00010000050001a5f645400000000049454e44ae426082"
)


def written(folder: Path, text: str) -> Path:
    path = folder / "clinic.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("code", languages())
def test_the_template_reads_as_it_stands(tmp_path: Path, code: str):
    clinic = read_clinic(written(tmp_path, texts_of(code)["templates"]["clinic"]))
    assert clinic.language == code
    assert clinic.paper == "A4"


def test_a_logo_travels_inside_the_sheet(desk: Desk, tmp_path: Path):
    (tmp_path / "logo.png").write_bytes(PIXEL)
    clinic = read_clinic(written(tmp_path, 'logo = "logo.png"'))
    html = make_sheet(Desk(desk.forecasters, None, clinic), Asked(COMMON))
    assert "data:image/png;base64,iVBORw0KGgo" in html


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ('nmae = "x"', "Did you mean 'name'"),
        ("name = 3", "name"),
        (f'opening = "{"x" * 601}"', "opening"),
        ('language = "xx"', "language"),
        ('paper = "A5"', "paper"),
        ("spacing_weeks = 0", "spacing_weeks"),
        ("spacing_weeks = nan", "spacing_weeks"),
        ('logo = "none.png"', "none.png"),
        ('logo = "clinic.toml"', "PNG or JPEG"),
        ("name = ", "not TOML"),
        ("\x00", "not TOML"),
    ],
)
def test_what_cannot_be_used_is_named(tmp_path: Path, text: str, named: str):
    with pytest.raises(DataError, match=named):
        read_clinic(written(tmp_path, text))


def test_a_picture_that_could_hold_code_is_no_logo(tmp_path: Path):
    (tmp_path / "logo.svg").write_text("<svg><script>alert(1)</script></svg>", encoding="utf-8")
    with pytest.raises(DataError, match="PNG or JPEG"):
        read_clinic(written(tmp_path, 'logo = "logo.svg"'))


def test_models_must_have_the_goals_they_are_given_for(
    files: Path, tmp_path: Path, lightener: Forecaster
):
    lightener.save(tmp_path / "lighten.json")
    both = open_desk(files / "model.json", lighten=tmp_path / "lighten.json")
    assert set(both.forecasters) == {"clear", "lighten"}
    with pytest.raises(RequestError, match="goal"):
        open_desk(files / "model.json", lighten=files / "model.json")
    with pytest.raises(RequestError, match="goal"):
        open_desk(tmp_path / "lighten.json", lighten=tmp_path / "lighten.json")


def test_a_model_of_an_unknown_goal_is_refused(files: Path, tmp_path: Path):
    stored = json.loads((files / "model.json").read_text(encoding="utf-8"))
    del stored["sha256"]  # which would be missed first
    odd = tmp_path / "odd.json"
    odd.write_text(json.dumps({**stored, "goal": "<b>gone</b>"}), encoding="utf-8")
    with pytest.raises(RequestError, match="goal"):
        open_desk(odd)


def test_a_clinic_without_a_file_is_plain():
    assert Clinic().language == "en"
    assert Clinic().logo is None


def test_the_clinics_own_columns_are_fields_of_the_page(
    own_forecaster: Forecaster, filled: dict[str, Any]
):
    desk = Desk({"clear": own_forecaster})
    page = render_page(desk, ENGLISH)
    assert 'name="extra.sun_exposure" value="often"' in page
    assert '<input id="extra.lucky_number"' in page
    sent = filled | {"extra.sun_exposure": "often", "extra.lucky_number": ""}
    found = desk.read(sent).asked
    assert found is not None
    assert found.enquiry.extra == {"sun_exposure": "often"}
    answered = answer(desk, found, ENGLISH)
    assert answered is not None
    assert ("sun exposure", "often") in answered.asked
    assert any("sun exposure" in row.text and "seldom" in row.text for row in answered.drivers)
    wrong = desk.read(sent | {"extra.sun_exposure": "never", "extra.lucky_number": "abc"})
    assert wrong.asked is not None  # they may be left out
    message, of = wrong.told(ENGLISH)
    assert set(of) == {"extra.sun_exposure", "extra.lucky_number"}
    assert "sun exposure" in message
    assert desk.read(filled | {"extra.shoe_size": "43"}).asked is None
