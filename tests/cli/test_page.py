"""The page as the command starts it, and the client's sheet as the command writes it."""

import json
import os
from pathlib import Path
from typing import Any

import pytest

from forecast._notes import texts_of
from forecast.cli import main
from forecast.page import new_code
from tests.page.qr_code import read_from_terminal

from .conftest import Shown, assert_refused, one_enquiry, spoken


def test_the_command_writes_the_template_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    path = tmp_path / "clinic.toml"
    assert main(["page", "--template", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"written": str(path)}
    assert path.read_text("utf-8") == texts_of("en")["templates"]["clinic"]
    assert main(["page", "--template", str(path)]) == 1
    assert "is there already" in capsys.readouterr().err


def test_the_page_without_a_model_says_what_it_needs(capsys: pytest.CaptureFixture[str]):
    assert main(["page"]) == 1
    assert "MODEL.json" in capsys.readouterr().err


def test_a_kept_code_stays_the_same_and_a_tablet_reads_it_from_the_screen(
    model: Path, tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch
):
    def served_once(*more: str) -> str:
        monkeypatch.setattr("forecast.page.serve", announced)
        arguments = ["page", str(model), "--host", "0.0.0.0", *more]
        assert main(arguments) == 0, capsys.readouterr().err
        return str(capsys.readouterr().out)

    def announced(desk: Any, *, announce: Any, code: str, **given: Any) -> None:
        announce(f"http://desk:1/{code or new_code()}/", False)

    kept = tmp_path / "code.txt"
    first, second = served_once("--code", str(kept)), served_once("--code", str(kept))
    assert kept.read_text().strip() in first
    assert first == second
    assert f"The code is kept in {kept}." in first
    assert kept.stat().st_mode & 0o077 == 0 or os.name == "nt"
    assert "The code changes at every start." in served_once()
    assert "█" not in first  # not into a pipe
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    shown = served_once("--code", str(kept))
    assert read_from_terminal(shown) == f"http://desk:1/{kept.read_text().strip()}/"
    square = [line for line in shown.splitlines() if "█" in line]
    assert all(line.startswith("\x1b[97;40m") for line in square)  # white, on black
    kept.write_text("short\n")
    arguments = ["page", str(model), "--code", str(kept)]
    assert main(arguments) == 1
    assert "holds no access code" in capsys.readouterr().err


def test_the_sheet_takes_the_answers_too(
    model: Path, tariff: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    asked, out = one_enquiry(tmp_path), tmp_path / "sheet.html"
    arguments = ["sheet", model, asked, "--tariff", tariff, "-o", out]
    shown = {}
    for facts in ("", "none", "pregnancy"):
        spoken(capsys, *arguments, *(["--facts", facts] if facts else []))
        shown[facts] = out.read_text(encoding="utf-8")
    assert "Questions before starting: not asked." in shown[""]
    assert "Questions before starting" not in shown["none"] + shown["pregnancy"]
    assert "€" in shown["none"]
    assert "€" not in shown["pregnancy"]
    assert "We wait first" in shown["pregnancy"]
    assert "Call us about spreading redness" in shown["none"]


def test_a_sheet_does_not_write_over_a_page_of_the_clinic(
    model: Path, enquiries: Path, tmp_path: Path, capsys: Shown
):
    page = tmp_path / "index.html"
    page.write_text("<!doctype html><title>Our clinic</title>", encoding="utf-8")
    assert_refused(["sheet", str(model), str(enquiries), "-o", str(page)], page, capsys)


def test_a_sheet_does_not_write_over_another_pdf(
    model: Path, enquiries: Path, tmp_path: Path, capsys: Shown, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("forecast.page.find_browser", lambda: "a browser")
    consent = tmp_path / "consent.pdf"
    consent.write_bytes(b"%PDF-1.4\nour consent form\n%%EOF\n")
    assert_refused(["sheet", str(model), str(enquiries), "-o", str(consent)], consent, capsys)
