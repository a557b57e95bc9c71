"""Prices and appointments as the commands give them: to each enquiry, and to the owner."""

import json
import re
from pathlib import Path

import openpyxl
import pytest

import forecast
from forecast.cli import main
from forecast.prices import read_tariff

from .conftest import answers, one_enquiry, spoken


def test_a_tariff_to_start_from_is_written_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.chdir(tmp_path)
    assert main(["price", "--template", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"written": "tariff.toml"}
    assert main(["price", "--template"]) == 1
    assert "is there already" in capsys.readouterr().err


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
    costs = [float(quote.price) for quote in expected]
    assert [one["price"] for one in found[0]["quotes"]] == costs


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
    assert "! Skin type IV, V or VI" in capsys.readouterr().out
    assert main([*arguments, "--json"]) == 0
    cautions = json.loads(capsys.readouterr().out)["prices"][0]["cautions"]
    assert {"local_rules", "red_ink"} & {caution["key"] for caution in cautions}


def test_no_price_is_given_while_a_referral_is_open(
    model: Path, enquiries: Path, tariff: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    asked = one_enquiry(tmp_path)
    arguments = ["price", model, asked, "--tariff", tariff]
    assert "EUR" in spoken(capsys, *arguments, "--facts", "hair")
    held = spoken(capsys, *arguments, "--facts", "infection", "--courses", 50)
    assert "EUR" not in held
    assert not re.search(r"\d\.\d\d", held)
    assert "No price and no date" in held
    (row,) = json.loads(spoken(capsys, *arguments, "--facts", "infection", "--json"))["prices"]
    assert (row["quotes"], row["withheld"]) == ([], True)
    later = ["update", model, asked, "--sessions-done", 2, "--tariff", tariff]
    assert "EUR" in spoken(capsys, *later)
    assert "EUR" not in spoken(capsys, *later, "--facts", "infection")


def test_one_referral_leaves_the_other_enquiries_their_prices(
    model: Path, tariff: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    both = one_enquiry(tmp_path)
    with both.open("a", encoding="utf-8") as file:
        file.write("c2,II,forearm,black,light,single,16\n")
    told = spoken(capsys, "price", model, both, "--tariff", tariff, "--details")
    assert told.startswith("! Clear up first: Under 18")
    assert "(Enquiry c2)" in told.splitlines()[0]
    assert "Enquiry c1\n" in told
    assert "Enquiry c2\n" not in told
    rows = json.loads(spoken(capsys, "price", model, both, "--tariff", tariff, "--json"))["prices"]
    assert [bool(row["quotes"]) for row in rows] == [True, False]


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


def test_appointments_are_printed_and_written_as_a_table_and_a_calendar(
    model: Path, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    table, calendar = tmp_path / "load.csv", tmp_path / "load.ics"
    asked = ["appointments", str(model), str(folder), "--weeks", "26", "--starts-per-month", "5"]
    assert main([*asked, "--out", str(table)]) == 0
    shown = capsys.readouterr().out
    assert "courses under way" in shown
    rows = table.read_text(encoding="utf-8").splitlines()
    assert rows[0].startswith("month,days,from_open_courses,from_new_courses,sessions,low,high")
    assert main([*asked, "--out", str(table)]) == 0  # its own file may be written anew
    assert main([*asked, "--out", str(calendar)]) == 0
    assert calendar.read_text(encoding="utf-8").count("BEGIN:VEVENT") == len(rows) - 1
    capsys.readouterr()
    found = answers(asked, capsys)
    assert len(found["months"]) == len(rows) - 1
    assert found["starts_per_month"] == pytest.approx(5, rel=0.05)


def test_appointments_are_not_written_over_somebody_s_table(
    model: Path, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    mine = tmp_path / "mine.csv"
    mine.write_text("name,phone\n", encoding="utf-8")
    assert main(["appointments", str(model), str(folder), "--out", str(mine)]) == 1
    assert "would be lost" in capsys.readouterr().err
    assert main(["appointments", str(model), str(folder), "--out", "load.txt"]) == 1


def test_who_loses_comes_first_in_at_most_thirty_lines_and_quotes_on_demand(
    model: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    asked, tariff, book = (tmp_path / name for name in ("twenty.csv", "t.toml", "prices.xlsx"))
    head = "enquiry_id,skin_type,body_site,inks,ink_density,layering,area_cm2"
    rows = [f"no-{k},II,forearm,black,medium,single,{10 * k}" for k in range(1, 21)]
    asked.write_text("\n".join([head, *rows]), encoding="utf-8")
    assert main(["price", "--template", str(tariff)]) == 0
    capsys.readouterr()
    arguments = ["price", str(model), str(asked), "--tariff", str(tariff)]
    assert main([*arguments, "--out", str(book)]) == 0
    shown = capsys.readouterr().out
    assert len(shown.splitlines()) <= 30
    assert "Least is left by" in shown
    assert "no-20" in shown  # the largest is the dearest to treat
    assert openpyxl.load_workbook(book).sheetnames == ["who loses", "worst", "all"]
    assert main([*arguments, "--details"]) == 0
    assert "Enquiry no-7" in capsys.readouterr().out
    found = answers(arguments, capsys)
    quotes = {one["enquiry_id"]: one["quotes"] for one in found["prices"]}
    for package in found["who_loses"]["packages"]:
        own = [
            quote for listed in quotes.values() for quote in listed
            if quote["package"] == package["package"]
        ]  # fmt: skip
        mean = sum(float(quote["expected_margin"]) for quote in own) / len(own)
        # the table has the mean of the draws, a quote the estimate: stopping differs a little
        assert package["margin"] == pytest.approx(mean, rel=0.02)
        least = min(float(quote["expected_margin"]) for quote in own)
        assert package["worst"][0]["margin"] == pytest.approx(least, rel=0.02)
