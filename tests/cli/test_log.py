"""`forecast check` and `forecast fit`: a folder goes in; a report and a model come out."""

import json
from pathlib import Path

import pytest

import forecast
from forecast.cli import main


@pytest.fixture(autouse=True)
def somewhere_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_the_check_counts_every_row_and_writes_those_set_aside(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["check", str(folder), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    for counts in found["rows"].values():
        assert counts["in"] == counts["used"] + counts["set_aside"]
    assert found["rows"]["courses"]["set_aside"] == 1
    (wrong,) = [one for one in found["set_aside"] if one["table"] == "courses"]
    assert (wrong["row"], wrong["column"], wrong["value"]) == (2, "skin_type", "VII")
    assert "set_aside_courses.csv" in " ".join(found["written"])
    assert all((tmp_path / name).exists() for name in found["written"])


def test_the_check_says_in_words_what_to_mend(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["check", str(folder)]) == 0
    shown = capsys.readouterr().out
    assert "skin_type" in shown
    assert "VII" in shown
    assert "mended_" in shown


def test_a_fit_names_what_it_rests_on_and_can_be_loaded(
    fitted: tuple[Path, str], log: forecast.OutcomeLog
):
    path, words = fitted
    # one row of the folder is set aside
    assert f"{len(log.courses) - 1} courses of" in words
    assert "holds no client rows" in words
    reference = forecast.load_forecaster(path).log_summary
    assert reference.n_courses == len(log.courses) - 1


@pytest.mark.slow
def test_the_same_seed_writes_the_same_model(folder: Path):
    for name in ("one.json", "two.json"):
        assert main(["fit", str(folder), "-o", name, "--seed", "3"]) == 0
    assert Path("one.json").read_bytes() == Path("two.json").read_bytes()


@pytest.mark.parametrize(
    ("name", "text"),
    [
        pytest.param("notes.txt", "nothing", id="a folder without tables"),
        pytest.param("courses.csv", "", id="an empty file"),
        pytest.param("courses.csv", "course_id\n1\n", id="columns missing"),
    ],
)
def test_a_folder_that_is_no_log_is_refused_and_nothing_is_written(
    tmp_path: Path, name: str, text: str, capsys: pytest.CaptureFixture[str]
):
    (tmp_path / "log").mkdir()
    (tmp_path / "log" / name).write_text(text, encoding="utf-8")
    for command in (["check", "log"], ["fit", "log", "-o", "model.json"], ["reactions", "log"]):
        assert main(command) == 1
        shown = capsys.readouterr()
        assert shown.err.startswith("forecast: ")
        assert shown.err.count("\n") == 1
        assert not shown.out
    assert [path.name for path in tmp_path.iterdir()] == ["log"]


def test_a_model_that_could_not_be_saved_is_refused_before_the_fit(
    folder: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["fit", str(folder), "-o", "nowhere/model.json"]) == 1
    assert "does not exist" in capsys.readouterr().err


def test_reactions_are_counted_as_in_python(folder: Path, capsys: pytest.CaptureFixture[str]):
    from forecast.reactions import fit_reactions

    assert main(["reactions", str(folder), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    expected = fit_reactions(forecast.read_log(folder))
    assert (found["n_sessions"], found["n_events"]) == (expected.n_sessions, expected.n_events)
