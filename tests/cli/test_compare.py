"""Comparing regimes, fading, reactions and reach from the command line."""

import json
import re
import shutil
from pathlib import Path

import pytest

import forecast
from forecast._notes import sentence
from forecast.cli import main
from forecast.cli.tour import ENQUIRIES
from forecast.invented import simulate_log
from forecast.prices import tariff_template
from forecast.reach import what_would_change
from forecast.reactions import fit_reactions

SHIPPED = Path(__file__).parents[2] / "synthetic_data" / "tangled"
QUICK = ["--horizon", "8", "--replicates", "20", "--seed", "1"]


def test_the_json_holds_what_scripts_rely_on_and_equals_the_python_answer(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
):
    out = ["--out", str(tmp_path / "tables")]
    assert main(["compare", str(SHIPPED), *QUICK, *out, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    expected = forecast.compare_regimes(
        forecast.read_log(SHIPPED), horizon=8, replicates=20, seed=1
    )
    contrast = expected.difference["ps - ns"]
    assert found["difference"]["ps - ns"]["estimate"] == pytest.approx(contrast.estimate)
    assert found["difference"]["ps - ns"]["interval"] == pytest.approx(list(contrast.interval))
    assert found["difference"]["ps - ns"]["level"] == 0.95
    assert found["verdict"] == dict(expected.verdict)
    assert found["horizon"] == 8
    assert {"unadjusted", "notes"} <= set(found)
    assert {Path(name).parent.name for name in found["written"]} == {"tables"}
    assert all(Path(name).is_file() for name in found["written"])


def test_the_words_give_the_answer_and_what_plain_readings_say(
    capsys: pytest.CaptureFixture[str],
):
    assert main(["compare", str(SHIPPED), *QUICK]) == 0
    shown = capsys.readouterr().out
    assert shown.endswith("lists them.\n")
    assert "ps against ns" in shown.splitlines()[0]
    assert "plain readings" not in shown
    assert main(["compare", str(SHIPPED), *QUICK, "--details"]) == 0
    assert "plain readings" in capsys.readouterr().out


def test_a_hint_is_given_as_it_is_typed(capsys: pytest.CaptureFixture[str]):
    far = ["--horizon", "25", "--replicates", "10", "--details"]
    assert main(["compare", str(SHIPPED), *far]) == 0
    shown = capsys.readouterr().out
    assert "ask again with --horizon " in shown
    assert "horizon=" not in shown


def test_a_path_is_said_as_it_was_given(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["compare", str(tmp_path / "seed=4")]) == 1
    assert "/seed=4" in capsys.readouterr().err


def test_what_an_answer_rests_on_is_known_by_its_code_and_not_by_its_mark(
    folder: Path, model: Path, tmp_path: Path, reword, capsys: pytest.CaptureFixture[str]
):
    asked, tariff = tmp_path / "asked.csv", tmp_path / "tariff.toml"
    asked.write_text(ENQUIRIES, encoding="utf-8")
    tariff.write_text(tariff_template("en"), encoding="utf-8")
    given = [["reactions", str(folder)], ["reach", str(folder)], ["fading", str(folder)]]
    given.append(["price", str(model), str(asked), "--tariff", str(tariff)])
    before = [(main(one), capsys.readouterr().out) for one in given]
    assert all("\n- " in said for _, said in before)
    reword("en", {'bullet = "- {note}"': 'bullet = "• {note}"'})
    now = [(main(one), capsys.readouterr().out) for one in given]
    assert now == [(code, said.replace("\n- ", "\n• ")) for code, said in before]


def test_groups_and_further_looks_are_asked_for_by_options(capsys: pytest.CaptureFixture[str]):
    asked = ["--strategies", "ns,ps,ns:4-ps", "--by", "smoker", "--looking-again", "--details"]
    assert main(["compare", str(SHIPPED), *QUICK, *asked]) == 0
    said = capsys.readouterr().out
    assert "Within the levels of smoker:" in said
    assert "smoker yes: ps - ns" in said
    assert "ns:4>ps against ns" in said
    assert "at every look at this growing log" in said
    assert main(["compare", str(SHIPPED), "--looking-again"]) == 1
    assert "Looking again needs a horizon" in capsys.readouterr().err


def test_what_is_serious_is_in_the_short_answer(folder: Path, tmp_path, capsys):
    for name in ("courses", "sessions", "lasers"):
        shutil.copy(folder / f"{name}.csv", tmp_path)
    assert main(["compare", str(tmp_path), "--replicates", "20"]) == 0
    shown = capsys.readouterr().out
    found = forecast.compare_regimes(forecast.read_log(tmp_path), replicates=20)
    (ungraded,) = [str(note) for note in found.notes if note.code == "regimes.no_gradings"]
    serious = {f"- {note}" for note in found.notes if note.severity == "serious"}
    answered, _, rests_on = shown.partition("What this rests on:\n")
    assert ungraded in answered
    assert {*rests_on.splitlines()[1:3]} <= serious
    assert main(["reactions", str(tmp_path)]) == 0
    assert capsys.readouterr().out.startswith("! No reaction is recorded in ")


def test_what_to_ask_again_for_a_plan_runs_as_typed(folder: Path, capsys):
    advice = sentence("regimes.settle_plan"), sentence("regimes.settles_plan")
    for said in advice:
        option, size = re.findall(r"(--plan) ([\d.]+\d|\d)", said)[0]
        assert main(["compare", str(folder), *QUICK, option, size]) == 0


def test_a_plan_says_how_many_more_courses_settle_it(capsys: pytest.CaptureFixture[str]):
    assert main(["compare", str(SHIPPED), *QUICK, "--plan", "0.3", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)["plan"]
    assert plan["difference"] == 0.3
    # a larger chance of settling it takes more courses
    assert plan["courses"]["0.8"] < plan["courses"]["0.9"]


def test_a_refused_plan_stands_beside_the_comparison(capsys: pytest.CaptureFixture[str]):
    asked = ["compare", str(SHIPPED), "--replicates", "20", "--plan", "0.5"]
    assert main([*asked, "--horizon", "15", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["plan"] is None
    assert "nothing can be planned" in found["plan_refused"]
    assert main([*asked, "--horizon", "15"]) == 0
    shown = capsys.readouterr().out
    assert "ps against ns" in shown.splitlines()[0]
    option, last = re.findall(r"Ask again with (--horizon) (\d+), as far", shown)[0]
    assert main([*asked, option, last]) == 0
    assert (
        f"difference of 0.5 sessions between ps and ns by session {last}" in capsys.readouterr().out
    )
    assert main([*asked, "--plan", "20"]) == 1  # a slip is said before the long work
    assert "Comparing" not in capsys.readouterr().err


def test_a_plan_is_for_a_pair_that_was_asked_for(capsys: pytest.CaptureFixture[str]):
    asked = ["compare", str(SHIPPED), *QUICK, "--plan", "0.3"]
    assert main([*asked, "--strategies", "ps,ns:2-ps"]) == 1
    assert "A plan is for ps against ns, and the strategies are" in capsys.readouterr().err
    assert main([*asked, "--strategies", "ps,ns", "--horizon", "5"]) == 0
    assert "To find a difference of 0.3 sessions between ps and ns" in capsys.readouterr().out
    assert main([*asked, "--horizon", "5", "--looking-again"]) == 0
    assert "hold at every look together, at a margin" in capsys.readouterr().out.split("To find")[1]


@pytest.mark.parametrize(
    "option",
    [["--strategies", "ns,quick"], ["--horizon", "0"], ["--margin=-1"], ["--replicates", "1"]],
    ids=" ".join,
)
def test_a_comparison_that_makes_no_sense_is_refused(
    option: list[str], capsys: pytest.CaptureFixture[str]
):
    assert main(["compare", str(SHIPPED), *option]) == 1
    assert capsys.readouterr().err.startswith("forecast: ")


def test_the_json_equals_the_python_answer(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["fading", str(folder), "--level", "0.9", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    expected = forecast.fit_fading(forecast.read_log(folder), level=0.9)
    assert found["level"] == 0.9
    shares = {(row["regime"], row["ink_group"]): row for row in found["shares"]}
    share, (low, high) = expected.share("ps")
    row = shares["ps", "all"]
    assert (row["share"], row["low"], row["high"]) == pytest.approx((share, low, high))
    assert found["assumption"] == str(expected.assumption)
    assert {"curves", "differences", "spacing", "graders", "stalls", "split"} <= set(found)


def test_the_words_give_shares_and_the_assumption(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["fading", str(folder)]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("What a ps session removes more (+) or less (-) than an ns session, in")
    assert "nobody wrote down" in shown


def test_a_log_without_gradings_says_what_is_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    text = (SHIPPED / "courses.csv").read_text(encoding="utf-8")
    (tmp_path / "courses.csv").write_text(text, encoding="utf-8")
    assert main(["fading", str(tmp_path)]) == 1
    assert "no gradings" in capsys.readouterr().err


def test_reactions_in_json_are_those_of_the_function(folder, capsys):
    assert main(["reactions", str(folder), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    report = fit_reactions(forecast.read_log(folder))
    assert (told["n_sessions"], told["n_events"]) == (report.n_sessions, report.n_events)
    assert told["regime"]["verdict"] == report.regime.verdict


def test_reach_tells_of_a_laser_only_when_asked(folder, capsys):
    assert main(["reach", str(folder)]) == 0
    assert "would bring" not in capsys.readouterr().out


def test_a_considered_laser_is_answered_as_by_the_function(folder, capsys):
    asked = ["reach", str(folder), "--wavelengths", "755", "--regime", "ns", "--on", "2019-06-30"]
    assert main([*asked, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["change"]
    change = what_would_change(forecast.read_log(folder), (755,), regime="ns", on="2019-06-30")
    assert told["per_year"] == change.per_year
    assert told["cleared_change"] == pytest.approx(change.cleared_change)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--wavelengths", "694", "--on", "yesterday"], "YYYY-MM-DD"),
        (["--on", "2019-06-30"], "--wavelengths"),
        (["--price", "90000"], "--wavelengths"),
        (["--wavelengths", "694", "--seed", "-1"], "seed is -1"),
    ],
    ids=str,
)
def test_what_cannot_be_asked_of_a_laser_is_refused(folder, options, says, capsys):
    assert main(["reach", str(folder), *options]) == 1
    shown = capsys.readouterr()
    assert says in shown.err
    assert not shown.out


@pytest.mark.parametrize("wavelengths", ["blue", "10600"])
def test_a_wavelength_that_is_none_is_refused(folder, wavelengths, capsys):
    assert main(["reach", str(folder), "--wavelengths", wavelengths]) == 1
    assert "nm" in capsys.readouterr().err


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    made = []
    for seed in (1, 2, 3):
        folder = tmp_path_factory.mktemp(f"clinic{seed}")
        log = simulate_log(14 if seed == 3 else 150, seed=seed)
        log.courses.to_csv(folder / "courses.csv", index=False)
        made.append(str(folder))
    return made


def test_two_clinics_share_and_a_third_fits_with_what_they_found(folders, tmp_path, capsys):
    shares = [str(tmp_path / f"share{n}.json") for n in (1, 2)]
    for folder, share in zip(folders, shares, strict=False):
        assert main(["share", folder, "-o", share]) == 0
    assert "no rows, dates or ids" in capsys.readouterr().out
    pooled, model = str(tmp_path / "pooled.json"), str(tmp_path / "model.json")
    assert main(["pool", *shares, "-o", pooled]) == 0
    assert "From 2 clinics" in capsys.readouterr().out
    assert main(["fit", folders[2], "-o", model, "--evidence", pooled, "--json"]) == 0
    notes = json.loads(capsys.readouterr().out)["notes"]
    assert any("2 clinics found together" in note for note in notes)
    assert main(["fit", folders[0], "-o", model, "--evidence", pooled]) == 1
    assert "count twice" in capsys.readouterr().err


def test_a_joint_fit_goes_round_by_round(folders, tmp_path, capsys):
    question, state = str(tmp_path / "next.json"), str(tmp_path / "rounds.json")
    answers = [str(tmp_path / f"answer{n}.json") for n in (1, 2)]
    step = ["pool", "--rounds", state, "-o", question, "--json"]
    assert main(step) == 0
    for _ in range(30):
        if json.loads(capsys.readouterr().out)["done"]:
            break
        for folder, file in zip(folders, answers, strict=False):
            assert main(["share", folder, "--answer", question, "-o", file]) == 0
        capsys.readouterr()
        assert main([*step, *answers]) == 0
    found = json.loads((tmp_path / "next.json").read_text())
    assert found["kind"] == "session-forecast pooled evidence"
    assert found["n_clinics"][0] == 2


def test_a_file_that_is_not_json_or_not_there_is_named(tmp_path, capsys):
    bad = tmp_path / "bad.json"
    bad.write_text("no")
    assert main(["pool", str(bad), str(bad), "-o", str(tmp_path / "x.json")]) == 1
    assert "bad.json is not JSON" in capsys.readouterr().err
    assert main(["pool", "none.json", "-o", str(tmp_path / "x.json")]) == 1
    assert "none.json" in capsys.readouterr().err
    assert not (tmp_path / "x.json").exists()
