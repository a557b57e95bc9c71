"""No command writes over a file that it did not write itself."""

import shutil
from pathlib import Path

import pytest

import forecast
from forecast.cli import main
from forecast.cli.compare import WRITTEN
from forecast.cli.outputs import check_json_output, check_output, check_register
from forecast.cli.tour import ENQUIRIES
from forecast.errors import RequestError

Shown = pytest.CaptureFixture[str]


@pytest.fixture
def own(folder: Path, tmp_path: Path) -> Path:
    """Return a clinic's folder that a test may lose."""
    shutil.copytree(folder, tmp_path / "ow")
    return tmp_path / "ow"


def assert_refused(command: list[str], target: Path, capsys: Shown) -> None:
    before = target.read_bytes()
    assert main(command) == 1
    shown = capsys.readouterr()
    assert f"{target.name} " in shown.err
    assert "Name another f" in shown.err
    assert shown.err.count("\n") == 1
    assert not shown.out
    assert target.read_bytes() == before


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


def test_promises_are_appended_to_a_register(
    model: Path, enquiries: Path, tmp_path: Path, capsys: Shown
):
    register = tmp_path / "promises.jsonl"
    for lines in (2, 4):
        assert main(["estimate", str(model), str(enquiries), "--register", str(register)]) == 0
        assert len(register.read_text(encoding="utf-8").splitlines()) == lines
    check_register(register)
    capsys.readouterr()


def test_a_card_does_not_write_over_notes_or_a_model(
    own: Path, model: Path, tmp_path: Path, capsys: Shown
):
    notes = tmp_path / "notes.md"
    notes.write_text("# Mine", encoding="utf-8")
    assess = ["assess", str(model), str(own), "--card"]
    assert_refused([*assess, str(notes)], notes, capsys)
    beside = shutil.copy(model, tmp_path / "model.json")
    assert_refused([*assess, str(tmp_path / "model.md")], Path(beside), capsys)


def test_a_sheet_does_not_write_over_a_page_of_the_clinic(
    model: Path, enquiries: Path, tmp_path: Path, capsys: Shown
):
    page = tmp_path / "index.html"
    page.write_text("<!doctype html><title>Our clinic</title>", encoding="utf-8")
    assert_refused(["sheet", str(model), str(enquiries), "-o", str(page)], page, capsys)


def test_a_sheet_does_not_write_over_another_pdf(
    model: Path, enquiries: Path, tmp_path: Path, capsys: Shown, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("forecast.page.sheet.find_browser", lambda: "a browser")
    consent = tmp_path / "consent.pdf"
    consent.write_bytes(b"%PDF-1.4\nour consent form\n%%EOF\n")
    assert_refused(["sheet", str(model), str(enquiries), "-o", str(consent)], consent, capsys)


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
    own.write_text(ENQUIRIES.replace("small-amateur", "mine"), encoding="utf-8")
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
