"""`forecast update` says what is odd about the gradings it was given."""

from pathlib import Path

import pytest

from forecast.cli import main

Shown = pytest.CaptureFixture[str]
ENQUIRY = "skin_type,body_site,inks,ink_density,layering\nII,forearm,black,medium,single\n"


def said(model: Path, folder: Path, rows: str, capsys: Shown) -> str:
    (folder / "asked.csv").write_text(ENQUIRY, encoding="utf-8")
    (folder / "seen.csv").write_text(f"after_session,fading_pct\n{rows}", encoding="utf-8")
    files = [str(folder / "asked.csv"), "--gradings", str(folder / "seen.csv")]
    assert main(["update", str(model), *files, "--sessions-done", "4"]) == 0
    return capsys.readouterr().out


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
    assert says in said(model, tmp_path, rows, capsys)


def test_ordinary_gradings_pass_without_a_word(model: Path, tmp_path: Path, capsys: Shown):
    shown = said(model, tmp_path, "0,0\n2,30\n3,25\n4,45\n4,55\n", capsys)
    for word in ("fractions", "well below", "differ widely"):
        assert word not in shown
