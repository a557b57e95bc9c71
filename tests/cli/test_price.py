"""`forecast price` quotes every package for every enquiry."""

import json
from pathlib import Path

import pytest

import forecast
from forecast.cli import main
from forecast.prices import read_tariff


@pytest.fixture
def tariff(tmp_path: Path) -> Path:
    path = tmp_path / "tariff.toml"
    assert main(["price", "--template", str(path)]) == 0
    return path


def test_the_json_equals_the_python_quotes(
    model: Path, enquiries: Path, tariff: Path, capsys: pytest.CaptureFixture[str]
):
    capsys.readouterr()
    arguments = ["price", str(model), str(enquiries), "--tariff", str(tariff)]
    assert main([*arguments, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["prices"]
    rules = read_tariff(tariff)
    asked = forecast.Enquiry("II", "forearm", "black", "light", "single", smoker="no")
    estimate = forecast.load_forecaster(model).estimate(asked)
    expected = [forecast.price_package(estimate, one, rules) for one in rules.packages]
    assert [one["enquiry_id"] for one in found] == ["easy", "hard"]
    assert [one["price"] for one in found[0]["quotes"]] == [str(quote.price) for quote in expected]


def test_cautions_travel_with_the_price(
    model: Path, tariff: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    asked = tmp_path / "asked.csv"
    asked.write_text(
        "skin_type,body_site,inks,ink_density,layering\nVI,forearm,black;red,light,single\n",
        encoding="utf-8",
    )
    capsys.readouterr()
    arguments = ["price", str(model), str(asked), "--tariff", str(tariff)]
    assert main(arguments) == 0
    assert "! Skin type V or VI" in capsys.readouterr().out
    assert main([*arguments, "--json"]) == 0
    cautions = json.loads(capsys.readouterr().out)["prices"][0]["cautions"]
    assert {"local_rules", "red_ink"} & {caution["key"] for caution in cautions}


def test_a_year_of_courses_is_priced_with_the_models_error_shared(
    model: Path, enquiries: Path, tariff: Path, capsys: pytest.CaptureFixture[str]
):
    capsys.readouterr()
    arguments = ["price", str(model), str(enquiries), "--tariff", str(tariff), "--courses", "50"]
    assert main([*arguments, "--json"]) == 0
    year = json.loads(capsys.readouterr().out)["year"]
    assert year["n_courses"] == 50
    assert year["currency"] == "EUR"


def test_a_tariff_that_is_misspelt_is_refused_by_its_key(
    model: Path, enquiries: Path, tariff: Path, capsys: pytest.CaptureFixture[str]
):
    text = tariff.read_text(encoding="utf-8").replace("tax_rate", "tax_rat")
    tariff.write_text(text, encoding="utf-8")
    arguments = ["price", str(model), str(enquiries), "--tariff", str(tariff)]
    assert main(arguments) == 1
    assert "tax_rate" in capsys.readouterr().err


def test_the_owner_sees_the_price_list_the_courses_under_way_and_the_past(
    model: Path,
    enquiries: Path,
    tariff: Path,
    folder: Path,
    capsys: pytest.CaptureFixture[str],
):
    capsys.readouterr()
    arguments = ["price", str(model), str(enquiries), "--tariff", str(tariff), "--log", str(folder)]
    assert main([*arguments, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    courses = forecast.read_log(folder).courses
    running = int((courses["outcome"] == "ongoing").sum())
    book = found["open_book"]
    assert len(book["courses"]) + len(book["left_out"]) == running
    for listed in found["price_lists"]:
        assert sum(band["n"] for band in listed["bands"]) == len(courses)
    for past in found["backtests"]:
        assert past["n_ended"] + past["n_ongoing"] == len(courses)
