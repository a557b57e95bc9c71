"""Enquiries answered from a saved model: estimate, update and price, and how soon."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

import forecast
from forecast import tattoo
from forecast.cli import main
from forecast.cli.estimate import by_line
from forecast.cli.files import read_enquiries
from forecast.daybook import read_promises
from forecast.log import OutcomeLog, write_log

from .conftest import answers, one_enquiry, spoken

HEAVY = {"pandas", "scipy", "statsmodels", "sklearn", "lifelines", "plotly", "joblib"}
PROMISED = {"enquiry_id", "median", "interval", "level", "chance_by", "not_within_horizon"}
Shown = pytest.CaptureFixture[str]
ENQUIRY = "skin_type,body_site,inks,ink_density,layering\nII,forearm,black,medium,single\n"


PROMISED |= {"support", "notes"}


def test_the_json_holds_what_scripts_rely_on_and_equals_the_python_answer(
    model: Path, enquiries: Path, capsys: pytest.CaptureFixture[str]
):
    asked = forecast.Enquiry("II", "forearm", "black", "light", "single", smoker="no")
    expected = forecast.load_forecaster(model).estimate(asked)
    found = answers(["estimate", str(model), str(enquiries)], capsys)["estimates"]
    assert [one["enquiry_id"] for one in found] == ["easy", "hard"]
    assert set(found[0]) >= PROMISED
    assert found[0]["median"] == expected.median
    assert found[0]["interval"] == list(expected.interval)
    assert found[0]["chance_by"]["10"] == pytest.approx(expected.chance_by(10), abs=1e-4)


def test_an_end_beyond_the_horizon_is_null_and_reads_more_than_25(
    model: Path, enquiries: Path, capsys: pytest.CaptureFixture[str]
):
    arguments = ["estimate", str(model), str(enquiries), "--level", "0.99"]
    found = answers(arguments, capsys)["estimates"]
    assert found[1]["interval"][1] is None
    assert main(arguments) == 0
    assert "more than 25" in capsys.readouterr().out


def test_the_words_are_natural_frequencies_with_cautions_and_no_promise(
    model: Path, enquiries: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["estimate", str(model), str(enquiries), "--details"]) == 0
    shown = capsys.readouterr().out
    assert "8 of 10 clients like this need" in shown
    assert "of 100 are not clear after 25" in shown
    assert "no promise, and never a treatment setting" in shown
    # Fitzpatrick type V and yellow ink each have a caution; type II with black has none of its own
    said = [line for line in shown.splitlines() if line.startswith("! ")]
    own = [line for line in said if "questions before starting were not asked" not in line]
    assert len(said) == len(own) + 1
    assert len(own) >= 2
    assert all(line.endswith("(Enquiry hard)") for line in own)
    assert "IEC 60825-1 and ANSI Z136.3" in shown


def test_a_caution_names_the_enquiries_that_it_is_for():
    yellow, black = (
        tattoo.cautions_for(forecast.Enquiry("III", "back", inks, "medium", "single"))
        for inks in ("yellow", "black")
    )
    of_two, *_ = by_line({"a": yellow, "b": black, "c": yellow}, "care")
    assert str(of_two).endswith("(Enquiries a, c)")
    assert of_two.say("de").endswith("(Anfragen a, c)")
    assert str(by_line({"a": yellow, "b": black}, "care")[0]).endswith("(Enquiry a)")


def test_several_enquiries_are_a_table_and_what_all_rest_on_is_said_once(
    model: Path, enquiries: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["estimate", str(model), str(enquiries)]) == 0
    lines = capsys.readouterr().out.splitlines()
    found = forecast.load_forecaster(model)
    easy = found.estimate(read_enquiries(enquiries)[0]["easy"])
    assert lines[0].split("  ")[0] == "enquiry"
    assert lines[1].split()[:5] == ["easy", str(easy.median), *easy.range_text().split()]
    assert sum("reached the goal" in line and "From " in line for line in lines) == 1
    assert main(["estimate", str(model), str(enquiries), "--details"]) == 0
    assert len(capsys.readouterr().out.splitlines()) > len(lines)


@pytest.mark.parametrize("level", ["0", "1", "80", "-0.5"])
def test_a_level_that_is_no_probability_is_refused(
    model: Path, enquiries: Path, level: str, capsys: pytest.CaptureFixture[str]
):
    assert main(["estimate", str(model), str(enquiries), f"--level={level}"]) == 1
    assert "level" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["", "{}", "[1, 2]", '{"kind": "something else"}', "\x00\x01"])
def test_a_model_file_that_is_none_is_refused(
    tmp_path: Path, enquiries: Path, text: str, capsys: pytest.CaptureFixture[str]
):
    broken = tmp_path / "model.json"
    broken.write_text(text, encoding="utf-8")
    assert main(["estimate", str(broken), str(enquiries)]) == 1
    assert "model.json" in capsys.readouterr().err


def test_an_estimate_at_the_desk_waits_for_numpy_alone(model: Path, enquiries: Path):
    code = (
        "import sys; from forecast.cli import main; "
        f"main(['estimate', {str(model)!r}, {str(enquiries)!r}]); "
        "print(*{name.partition('.')[0] for name in sys.modules}, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    assert "numpy" in loaded
    assert not loaded & HEAVY


def coded(enquiries: Path) -> str:
    """Give the enquiries the codes of courses, and return their file."""
    text = enquiries.read_text(encoding="utf-8").replace("easy,", "c1,").replace("hard,", "c2,")
    enquiries.write_text(text, encoding="utf-8")
    return str(enquiries)


def test_a_daybook_keeps_promises_by_the_id_that_the_course_will_have(
    model: Path, enquiries: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    register = tmp_path / "promises.sqlite"
    arguments = ["estimate", str(model), coded(enquiries), "--register", str(register)]
    assert main([*arguments, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["estimates"]
    kept = read_promises(register)
    assert [(one.course_id, one.promise_no) for one in kept] == [("c1", 1), ("c2", 2)]
    assert [one.median for one in kept] == [one["median"] for one in told]
    assert [one["promise_no"] for one in told] == [1, 2]
    assert main(arguments) == 0
    assert [one.promise_no for one in read_promises(register)] == [1, 2, 3, 4]
    enquiries.write_text(enquiries.read_text(encoding="utf-8").replace("c1,", "anna,"), "utf-8")
    assert main(arguments) == 1
    assert "line 2, enquiry_id '(a name)': This looks like a name" in capsys.readouterr().err
    text = enquiries.read_text(encoding="utf-8").replace("enquiry_id,", ",")
    enquiries.write_text(text.replace("anna,", ",").replace("c2,", ","), encoding="utf-8")
    assert main(arguments) == 1
    assert "enquiry_id is missing" in capsys.readouterr().err
    assert len(read_promises(register)) == 4


def test_an_update_gives_what_is_left_and_the_total(
    model: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    enquiry, gradings = tmp_path / "enquiry.csv", tmp_path / "gradings.csv"
    header = "skin_type,body_site,inks,ink_density,layering"
    enquiry.write_text(f"{header}\nII,forearm,black,medium,single\n", encoding="utf-8")
    gradings.write_text("after_session,fading_pct\n0,0\n2,25\n4,45\n", encoding="utf-8")
    arguments = ["update", str(model), str(enquiry), "--sessions-done", "4"]
    arguments += ["--gradings", str(gradings)]
    asked = forecast.Enquiry("II", "forearm", "black", "medium", "single")
    expected = forecast.load_forecaster(model).update(
        asked, sessions_done=4, gradings=[(0, 0), (2, 25), (4, 45)]
    )
    found = answers(arguments, capsys)
    assert found["remaining"]["median"] == expected.remaining.median
    assert found["total"]["interval"] == list(expected.total.interval)
    assert main(arguments) == 0
    said = capsys.readouterr().out
    assert "more sessions at this clinic" in said
    notes = [line for line in said.splitlines() if line.startswith("- ")]
    assert len(notes) == len(set(notes))
    # the rows of one course, as they stand in the log
    gradings.write_text(
        "course_id,after_session,fading_pct\nC1,0,0\nC1,2,25%\nC1,4,45\n", encoding="utf-8"
    )
    assert answers(arguments, capsys)["total"]["interval"] == list(expected.total.interval)
    # a grading after a session that has not been given yet
    arguments[4] = "3"
    assert main(arguments) == 1


def test_drivers_are_told_in_words_and_json_when_asked_for(
    model: Path, enquiries: Path, capsys: pytest.CaptureFixture[str]
):
    plain = answers(["estimate", str(model), str(enquiries)], capsys)["estimates"]
    assert "drivers" not in plain[0]
    found = answers(["estimate", str(model), str(enquiries), "--drivers"], capsys)["estimates"]
    assert {driver["attribute"] for driver in found[1]["drivers"]} >= {"inks", "ink_density"}
    assert main(["estimate", str(model), str(enquiries), "--drivers"]) == 0
    shown = capsys.readouterr().out
    assert "associations in the log" in shown
    assert "past courses" in shown.lower()


def test_an_update_with_a_tariff_prices_only_what_is_still_needed(
    model: Path, enquiries: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    one, tariff = tmp_path / "one.csv", tmp_path / "tariff.toml"
    one.write_text("\n".join(enquiries.read_text().splitlines()[:2]) + "\n", encoding="utf-8")
    assert main(["price", "--template", str(tariff)]) == 0
    capsys.readouterr()
    base = ["update", str(model), str(one), "--tariff", str(tariff), "--sessions-done"]
    early, late = (answers([*base, done], capsys) for done in ("1", "5"))
    assert len(early["quotes"]) == len(late["quotes"]) > 0
    assert "quotes" not in answers([*base[:3], "--sessions-done", "1"], capsys)
    early_cost, late_cost = (float(found["quotes"][0]["expected_cost"]) for found in (early, late))
    assert late_cost < early_cost
    # the template's reduced price comes after eight sessions, those already had among them
    reduced = {done: answers([*base, done], capsys)["quotes"][-1] for done in ("7", "8")}
    assert (reduced["7"]["kind"], reduced["7"]["price"]) == ("part_fixed", 150.0)
    assert (reduced["8"]["kind"], reduced["8"]["price"]) == ("per_session", 75.0)
    # a block of six does not fit into what is left of fifteen
    assert answers([*base, "10"], capsys)["not_offered"] == ["block_6"]
    assert main([*base, "10"]) == 0
    assert "as a new block would go beyond the 15 sessions" in capsys.readouterr().out
    assert main([*base, "15"]) == 0
    shown = capsys.readouterr().out
    assert "had all 15 sessions that are given in one: going on needs a new agreement" in shown
    assert "The entry cap of the tariff" in shown
    assert not [word for word in ("pay per session", "block of six", "sold anew") if word in shown]
    assert answers([*base, "15"], capsys)["cap"]["code"] == "prices.cap_reached"
    assert main([*base, "5"]) == 0
    assert "which is sold anew:" in capsys.readouterr().out


def said(model: Path, folder: Path, rows: str, capsys: Shown, *more: str) -> str:
    (folder / "asked.csv").write_text(ENQUIRY, encoding="utf-8")
    (folder / "seen.csv").write_text(f"after_session,fading_pct\n{rows}", encoding="utf-8")
    files = [str(folder / "asked.csv"), "--gradings", str(folder / "seen.csv")]
    code = main(["update", str(model), *files, "--sessions-done", "4", *more])
    shown = capsys.readouterr()
    return shown.err if code else shown.out


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        pytest.param("2,0.3\n4,0.6\n", "percent faded is expected, 0 to 100", id="fractions"),
        pytest.param(
            "2,70\n4,40\n",
            "after session 4 (40 %) is well below the one before it (70 %)",
            id="a fall",
        ),
        pytest.param(
            "2,20\n4,30\n4,80\n",
            "after session 4 differ widely (30 to 80 %): check them; their mean is used",
            id="two graders",
        ),
    ],
)
def test_odd_gradings_are_said(rows: str, says: str, model: Path, tmp_path: Path, capsys: Shown):
    assert says in said(model, tmp_path, rows, capsys, "--as-graded")


@pytest.mark.parametrize(
    ("rows", "named"),
    [
        ("0,0\n3,0.5\n", "seen.csv line 3, fading_pct: A grading after session 3 is 0.5 %"),
        ("2,70\n4,40\n", "seen.csv line 3, fading_pct: A grading after session 4 is 40 %"),
        ("4,60\n2,30\n", "seen.csv line 3, after_session: A grading after session 2 stands"),
        ("2,30\n9,50\n", "seen.csv line 3, after_session: A grading is after session 9, but the"),
    ],
)
def test_gradings_that_can_hardly_be_are_asked_about_by_line_and_field(
    rows: str, named: str, model: Path, tmp_path: Path, capsys: Shown
):
    shown = said(model, tmp_path, rows, capsys)
    assert shown.startswith(f"forecast: {named}")
    passes = "9,50" not in rows
    assert passes == ("more sessions" in said(model, tmp_path, rows, capsys, "--as-graded"))


def test_an_update_says_what_the_gradings_do_when_asked(model: Path, tmp_path: Path, capsys: Shown):
    shown = said(model, tmp_path, "2,15\n4,25\n", capsys, "--drivers")
    told = shown.partition("What drives it")[2].splitlines()
    assert told[1].startswith("  gradings 25 % after session 4 instead of none: ")


def test_ordinary_gradings_pass_without_a_word(model: Path, tmp_path: Path, capsys: Shown):
    shown = said(model, tmp_path, "0,0\n2,30\n3,25\n4,45\n4,55\n", capsys)
    for word in ("fractions", "well below", "differ widely"):
        assert word not in shown


NOT_ASKED = "The questions before starting were not asked"


@pytest.mark.parametrize("command", ["estimate", "update", "price"])
def test_the_answers_before_starting_are_given_with_facts(
    command: str, model: Path, tariff: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    asked = one_enquiry(tmp_path)
    more = {"update": ["--sessions-done", 2], "price": ["--tariff", tariff]}.get(command, [])
    arguments = [command, model, asked, *more]
    assert NOT_ASKED in spoken(capsys, *arguments)
    assert NOT_ASKED not in spoken(capsys, *arguments, "--facts", "none")
    told = spoken(capsys, *arguments, "--facts", "keloid_history, anticoagulants")
    assert NOT_ASKED not in told
    assert told.count("! A history of keloid") == told.count("! A medicine against clotting") == 1
    found = json.loads(spoken(capsys, *arguments, "--facts", "pregnancy", "--json"))
    (row,) = found.get("estimates", found.get("prices", [found]))
    assert row["cautions"][0]["key"] == "pregnancy"
    for wrong in ("pregnant", "none,pregnancy", ""):
        assert main([*map(str, arguments), "--facts", wrong]) == 1
        assert "There is no fact" in capsys.readouterr().err


def test_each_enquiry_of_a_file_may_have_its_own_answers(
    model: Path, tariff: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    path = tmp_path / "several.csv"
    row = "II,forearm,black,light,single"
    path.write_text(
        "enquiry_id,skin_type,body_site,inks,ink_density,layering,facts\n"
        f"c1,{row},infection; hair\nc2,{row},none\nc3,{row},\n",
        encoding="utf-8",
    )
    for command in (["estimate", model, path], ["price", model, path, "--tariff", tariff]):
        found = json.loads(spoken(capsys, *command, "--json"))
        keys = [
            {one["key"] for one in row["cautions"]} - {"always"}
            for row in found.get("estimates", found.get("prices"))
        ]
        open_keys = [of & {"infection", "hair", "not_asked", "pregnancy"} for of in keys]
        assert open_keys == [{"infection", "hair"}, set(), {"not_asked"}]
        told = spoken(capsys, *command)
        assert told.startswith("! Clear up first: Infected")
        assert "(Enquiry c1)" in told.splitlines()[0]
        # what the command line says applies to all of them beside their own
        found = json.loads(spoken(capsys, *command, "--facts", "pregnancy", "--json"))
        rows = found.get("estimates", found.get("prices"))
        keys = [{one["key"] for one in row["cautions"]} for row in rows]
        assert all("pregnancy" in of and "not_asked" not in of for of in keys)
        assert [("infection" in of) for of in keys] == [True, False, False]
    book = tmp_path / "book.sqlite"
    spoken(capsys, "estimate", model, path, "--register", book)
    kept = [(one.questions, one.facts) for one in read_promises(book)]
    assert kept == [("asked", "hair;infection"), ("asked", ""), ("not_asked", "")]


def test_one_row_with_answers_is_heeded_mid_course_and_on_the_sheet(
    model: Path, tariff: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    path, out = tmp_path / "one.csv", tmp_path / "sheet.html"
    row = "II,forearm,black,light,single,pregnancy"
    path.write_text(f"skin_type,body_site,inks,ink_density,layering,facts\n{row}\n", "utf-8")
    told = spoken(capsys, "update", model, path, "--sessions-done", 2, "--tariff", tariff)
    assert told.startswith("! Clear up first: ")
    assert "EUR" not in told
    spoken(capsys, "sheet", model, path, "--tariff", tariff, "-o", out)
    assert "We wait first" in out.read_text("utf-8")


@pytest.mark.parametrize("word", ["pregnant", "none;pregnancy", ";"])
def test_an_answer_that_is_not_known_is_named_with_its_row_and_column(
    word: str, model: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    path = tmp_path / "asked.csv"
    row = "II,forearm,black,light,single"
    text = "skin_type,body_site,inks,ink_density,layering,facts\n"
    path.write_text(f"{text}{row},none\n{row},{word}\n", "utf-8")
    assert main(["estimate", str(model), str(path)]) == 1
    said = capsys.readouterr().err
    assert "asked.csv line 3, column facts: There is no fact" in said
    assert "Did you mean 'pregnancy'?" in said or word != "pregnant"


def test_what_is_to_be_cleared_up_first_stands_above_the_number(
    model: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    asked = one_enquiry(tmp_path)
    for command in (["estimate"], ["update", "--sessions-done", "2"]):
        told = spoken(capsys, *command, model, asked, "--facts", "granuloma")
        assert told.startswith("! Clear up first: Lumps in the tattoo")


def test_a_kept_estimate_keeps_the_answers_and_an_update_of_it_asks_no_more(
    model: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    asked, book = one_enquiry(tmp_path), tmp_path / "book.sqlite"
    spoken(capsys, "estimate", model, asked, "--register", book, "--facts", "hair,infection")
    (kept,) = read_promises(book)
    assert (kept.questions, kept.facts) == ("asked", "hair;infection")
    told = spoken(capsys, "update", model, "--daybook", book, "--promise", kept.promise_no)
    assert told.startswith("! Clear up first: Infected")
    assert NOT_ASKED not in told


def test_columns_of_the_clinics_own_are_fitted_named_and_asked_for(
    own_log: OutcomeLog, tmp_path: Path, capsys: Shown
):
    write_log(own_log, tmp_path / "log")
    model, asked = tmp_path / "model.json", tmp_path / "asked.csv"
    fit = ["fit", str(tmp_path / "log"), "-o", str(model), "--extra"]
    assert main([*fit, "sun exposre"]) == 1
    assert "Did you mean 'sun_exposure'?" in capsys.readouterr().err
    assert main([*fit, "Sun exposure, lucky_number", "--seed", "1"]) == 0
    capsys.readouterr()
    asked.write_text(ENQUIRY.replace("\n", ",Sun exposure\n", 1).strip() + ",often\n")
    command = ["estimate", str(model), str(asked)]
    often = answers(command, capsys)["estimates"][0]["median"]  # type: ignore[index]
    again = answers([*command, "--extra", "sun_exposure=seldom"], capsys)["estimates"]
    assert again[0]["median"] == often  # type: ignore[index]  # the file goes before
    asked.write_text(ENQUIRY)
    told = answers([*command, "--extra", "sun_exposure=seldom"], capsys)["estimates"]
    assert told[0]["median"] < often  # type: ignore[index]
    assert main([*command, "--extra", "shoe_size=43"]) == 1
    assert "It has sun_exposure, lucky_number" in capsys.readouterr().err
