"""`forecast tour` walks the whole job and leaves a folder that opens without a network."""

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

import forecast
from forecast.cli import main
from forecast.cli.tour import SHIPPED_SEED

from .conftest import SHIPPED, Toured


@pytest.fixture
def folder(toured: Toured) -> Path:
    return toured.folder


def test_the_tour_leaves_what_is_not_its_own(folder: Path):
    assert (folder / "mine.txt").read_text(encoding="utf-8") == "kept"
    assert not list(folder.parent.glob(f".{folder.name}*"))


def test_the_first_page_leads_to_every_file(folder: Path):
    class Links(HTMLParser):
        found: set[str] = set()  # noqa: RUF012

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            self.found |= {str(value) for name, value in attrs if tag == "a" and name == "href"}

    links = Links()
    links.feed((folder / "index.html").read_text(encoding="utf-8"))
    others = {"index.html", "mine.txt", "plotly.min.js"}
    assert links.found == {path.name for path in folder.iterdir()} - others


def test_the_pages_fetch_nothing_from_elsewhere(folder: Path):
    for page in folder.glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert not re.search(r"""(?:src|href)=["']?(?:https?:)?//""", text), page.name


def test_the_figures_have_no_button_that_uploads(folder: Path):
    for page in folder.glob("count-*.html"):
        assert '"showSendToCloud": false' in page.read_text(encoding="utf-8")


def test_the_models_of_the_tour_hold_no_client(folder: Path):
    text = (folder / "model.json").read_text(encoding="utf-8")
    json.loads(text)
    assert not re.search(r"client_id|course_id|C\d{3,}", text)


def test_the_tour_says_what_the_commands_say(folder: Path, capsys: pytest.CaptureFixture[str]):
    model, asked = str(folder / "model.json"), str(folder / "enquiries.csv")
    assert main(["estimate", model, asked, "--details"]) == 0
    assert (folder / "estimates.txt").read_text(encoding="utf-8") == capsys.readouterr().out
    assert "! " in (folder / "estimates.txt").read_text(encoding="utf-8")  # cautions
    assert main(["compare", str(SHIPPED), "--details"]) == 0
    said = (folder / "regimes.txt").read_text(encoding="utf-8")
    assert said in capsys.readouterr().out


def test_the_tour_fits_as_the_command_does_by_default(folder: Path):
    from forecast.cli import build_parser

    default = build_parser().parse_args(["fit", "log", "-o", "model.json"])
    stored = json.loads((folder / "model.json").read_text(encoding="utf-8"))
    assert {name: stored[name] for name in ("seed", "goal", "horizon")} == {
        name: getattr(default, name) for name in ("seed", "goal", "horizon")
    }


def test_a_file_in_the_place_of_the_folder_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    (tmp_path / "taken").write_text("", encoding="utf-8")
    assert main(["tour", "-o", str(tmp_path / "taken")]) == 1
    assert "is a file" in capsys.readouterr().err


def test_without_the_shipped_files_the_tour_makes_the_same_clinic():
    shipped = forecast.read_log(SHIPPED).courses
    again = forecast.simulate_log(600, seed=SHIPPED_SEED, mechanism="practised").courses
    for column in ("course_id", "skin_type", "inks", "sessions_given", "outcome"):
        assert shipped[column].tolist() == again[column].tolist(), column


def test_the_enquiries_of_the_tour_can_be_kept_in_a_daybook(folder: Path, tmp_path: Path):
    model, asked = str(folder / "model.json"), str(folder / "enquiries.csv")
    assert main(["estimate", model, asked, "--register", str(tmp_path / "book.sqlite")]) == 0
