"""The usual questions are answered in the first five lines that a command prints."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

import forecast
from forecast.cli import main
from forecast.prices import tariff_template

FIRST = 5
ONE = "skin_type,body_site,inks,ink_density,layering\nII,forearm,black,light,single\n"
TWO = f"{ONE}V,ankle,black;yellow,heavy,layered\n"
STALLED = "after_session,fading_pct\n2,30\n4,55\n8,56\n"
PRICE = "price MODEL two.csv --tariff tariff.toml"
COMPARE = "compare LOG --horizon 6 --replicates 20"
QUESTIONS = {
    "how many sessions for this": ("estimate MODEL one.csv", r"About \d+ sessions .* need \d+ to"),
    "may I promise it": ("estimate MODEL one.csv", r"of 100 (is|are) not clear after \d+ sess"),
    "how many more": ("update MODEL one.csv --sessions-done 4", r"(About|More than) \d+ more sess"),
    "is it stalled": (
        "update MODEL one.csv --sessions-done 8 --gradings stalled.csv",
        r"! (Faded less by now than|The gradings level off)",
    ),
    "what do I charge": (PRICE, r"price in EUR, tax included +pay per session +block of six"),
    "which package loses": (PRICE, r"(No package loses money on average|Packages that lose money)"),
    "how many appointments in March": (
        "appointments MODEL LOG --weeks 52",
        r"By month: .*\d+ in March",
    ),
    "what would a second laser bring": (
        "reach LOG --wavelengths 694",
        r"would bring [\d.]+ course",
    ),
    "do faster pulses save": (COMPARE, r"(Up to session \d+, ps against ns|Cannot say whether ps)"),
    "does a change save": (f"{COMPARE} --strategies ns,ps,ns:4-ps", r"ns:4>ps (against|needs)"),
    "is an operator worse": ("reactions LOG", r"Operators: \w+"),
    "did our promises hold": (
        "assess MODEL LOG",
        r"On clients left out of the fit the 80 % interval held the true count for \d+ %",
    ),
}


def typed(asked: str, folder: Path, model: Path, place: Path) -> list[str]:
    """Return the words of a command, with the files that it names where they are."""
    files = {"one.csv": ONE, "two.csv": TWO, "stalled.csv": STALLED}
    files |= {"wrong.csv": ONE.replace("forearm,black", "arme,blak")}
    files |= {
        "slip.csv": ONE.replace("layering\n", "layering,smokr\n").replace("single", "single,no")
    }
    files |= {"wrong.toml": tariff_template().replace("session_price ", "session_prise ")}
    files |= {"weeks.toml": "spacing_weeks = 999", "logo.toml": 'logo = "none.png"'}
    files |= {"text.toml": "name = 7", "paper.toml": 'paper = "A3"'}
    for name, text in {**files, "tariff.toml": tariff_template()}.items():
        (place / name).write_text(text, encoding="utf-8")
    alone, few = place / "alone", place / "few"
    for path, kept in ((alone, 999), (few, 12)):
        path.mkdir()
        rows = (folder / "courses.csv").read_text("utf-8").splitlines(keepends=True)
        (path / "courses.csv").write_text("".join(rows[: kept + 1]), "utf-8")
    places = {"MODEL": str(model), "LOG": str(folder), "ALONE": str(alone), "FEW": str(few)}
    words = [places.get(one, one) for one in asked.split()]
    return [str(place / one) if (place / one).is_file() else one for one in words]


@pytest.fixture
def printed(
    folder: Path, model: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[..., str]:
    """What a command prints, given as it is typed."""

    def run(asked: str, *more: str) -> str:
        assert main([*typed(asked, folder, model, tmp_path), *more]) == 0
        return capsys.readouterr().out

    return run


@pytest.mark.parametrize(("asked", "answered"), QUESTIONS.values(), ids=QUESTIONS)
def test_the_answer_stands_in_the_first_five_lines(
    asked: str, answered: str, printed: Callable[..., str]
):
    shown = printed(asked).splitlines()
    assert re.search(answered, "\n".join(shown[:FIRST])), shown[:FIRST]


TO_THE_POINT = [
    "estimate MODEL one.csv",
    "price MODEL one.csv --tariff tariff.toml",
    PRICE,
    "appointments MODEL LOG --weeks 30 --tariff tariff.toml",
    "reach LOG",
    "reach LOG --wavelengths 694 --price 90000 --worth-cleared 500",
    COMPARE,
    "fading LOG",
    "reactions LOG",
]


@pytest.mark.parametrize("asked", TO_THE_POINT)
def test_an_answer_and_what_it_rests_on_have_five_lines_each(
    asked: str, printed: Callable[..., str]
):
    shown = printed(asked)
    answered, _, rest = shown.partition("\n\nWhat this rests on:\n")
    rests_on = [line for line in rest.partition("\n\n")[0].splitlines() if line[0] != "!"]
    assert len(answered.splitlines()) <= FIRST
    assert 1 <= len(rests_on) <= FIRST
    assert len(set(rests_on)) == len(rests_on)


GERMAN = [
    "estimate MODEL two.csv --drivers --details",
    "estimate MODEL one.csv --facts infection",
    "update MODEL one.csv --sessions-done 8 --gradings stalled.csv --tariff tariff.toml --drivers",
    f"{PRICE} --details --log LOG",
    "appointments MODEL LOG --weeks 30 --tariff tariff.toml --details",
    "reach LOG --wavelengths 694 --price 90000 --worth-cleared 500",
    f"{COMPARE} --strategies ns,ps,ns:4-ps --by smoker --plan 0.3 --details",
    "fading LOG --details",
    "reactions LOG --outcome lasting --details",
]
ENGLISH = re.compile(
    r"\b(the|of|with|clients?|sessions?|courses?|tax|from|not|and|is|are|to|by|for|that|this|than"
    r"|after|before|until|cannot|no|yes|model|which|they|goal|operators?|regime)\b"
)
NAMES = re.compile(  # of files, tables and columns
    r"(/[\w.-]+)+|--[a-z-]+|\w+\.json|^(courses|sessions) +\d|operators\.names|per_session"
    r"|stop_factor|[a-z]+_[a-z_\d]+|forecast check|to-correct\.xlsx|(und|,)? regime\b"
    r"|Möglich ist [\w, ]+|Tabelle \w+",
    re.MULTILINE,
)


@pytest.mark.parametrize("asked", GERMAN)
def test_an_answer_in_german_has_no_english_line(asked: str, printed: Callable[..., str]):
    shown = printed(asked, "--language", "de")
    assert english_in(shown) == []
    prose = [line for line in shown.splitlines() if "  " not in line]
    sentences = [one for line in prose for one in re.split(r"(?<=[.!?:]) ", line)]
    assert [one for one in sentences if len(one.split()) > 40] == []


FAULTY = {
    "estimate MODEL nil.csv": "nil.csv: diese Datei gibt es nicht",
    "estimate no.json one.csv": "Das Modell no.json ist nicht lesbar: diese Datei gibt es nicht",
    "estimate MODEL wrong.csv": "wrong.csv hat 2 Fehler",
    "estimate MODEL slip.csv": "Ist 'smoker' gemeint?",
    "estimate MODEL one.csv --level 80": "keine Wahrscheinlichkeit zwischen 0 und 1",
    "estimate MODEL one.csv --strategy px": "Die Strategie 'px' ist nicht lesbar",
    "estimate MODEL one.csv --facts pregnant": "Eine Angabe 'pregnant' gibt es nicht",
    "update MODEL one.csv": "wie viele Sitzungen gegeben wurden",
    "update MODEL two.csv --sessions-done 3": "dieser Befehl nimmt eine",
    "update MODEL one.csv --sessions-done 3 --gradings stalled.csv": "stalled.csv, Zeile 3",
    "price MODEL one.csv": "Für Preise braucht es Modell, Anfragen und Tarif",
    "price MODEL one.csv --tariff wrong.toml": "unbekannter Name 'session_prise'",
    "price MODEL one.csv --tariff tariff.toml --out prices.csv": "ist keine .xlsx",
    "fit LOG -o fitted.json --cleared-at 0.95": "höchstens 100: 95, nicht 0,95",
    "sheet MODEL one.csv -o one.doc": "weder .pdf noch .html",
    "compare LOG --strategies ns": "ergeben keinen Vergleich",
    "fit LOG -o no/model.json": "gibt es nicht",
    "fit LOG -o model.json --extra sun_exposed": "keine eigene Spalte",
    "fading ALONE": "Die Daten haben keine Beurteilungen",
    "compare ALONE": "Die Daten haben keine Tabelle sessions",
    "compare LOG --by sunshine": "innerhalb deren sich vergleichen ließe",
    "compare LOG --plan 99": "Geben Sie die gesparten Sitzungen an",
    "reach ALONE": "Die Daten nennen keine Laser",
    "reach LOG --wavelengths 99": "liegt nicht zwischen 400 und 1100 nm",
    "reach LOG --wavelengths 694 --on 1990-01-01": "hat keine Behandlung begonnen",
    "reactions LOG --outcome frost": "Die Art von Reaktion 'frost' gibt es nicht",
    "share FEW -o share.json": "erreichten das Ziel",
    "pool one.csv one.csv -o pooled.json": "ist kein",
    "pool MODEL MODEL -o pooled.json": "model.json ist kein Auszug",
    "estimate LOG one.csv": "ist nicht lesbar: es ist keine Datei",
    "fit LOG -o fitted.json --evidence LOG": "ist nicht lesbar: es ist keine Datei",
    "check LOG --to-correct rows.csv": "ist keine .xlsx",
    "daybook new.sqlite --from nowhere": "nowhere gibt es nicht",
    "page MODEL --clinic weeks.toml": "Geben Sie eine Zahl von Wochen an",
    "page MODEL --clinic logo.toml": "Das Logo 'none.png' ist nicht lesbar",
    "page MODEL --clinic text.toml": "ist kein Text von höchstens 600 Zeichen",
    "page MODEL --clinic paper.toml": "Möglich ist A4, Letter",
    "sheet MODEL one.csv -o one.html --goal lighten": "ist kein Modell geladen",
    "sheet MODEL one.csv -o one.html --start soon": "Geben Sie ein Datum als JJJJ-MM-TT an",
}


@pytest.mark.parametrize(("asked", "answered"), FAULTY.items(), ids=FAULTY)
def test_what_is_at_fault_is_said_in_german(
    asked: str,
    answered: str,
    folder: Path,
    model: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
):
    assert main([*typed(asked, folder, model, tmp_path), "--language", "de"]) == 1
    told = capsys.readouterr().err
    assert answered in told
    assert english_in(told.replace("forecast:", "")) == []


def english_in(text: str) -> list[str]:
    """Return the lines that have an English word, those of files and columns left out."""
    return [line for line in NAMES.sub("", text).splitlines() if ENGLISH.search(line)]


def test_a_fit_its_refresh_its_check_and_its_card_are_in_german(
    folder: Path, later: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    path, card = tmp_path / "m.json", tmp_path / "card.md"
    for asked in (
        ["fit", later, "-o", path, "--seed", "1"],
        ["refresh", path, later],
        ["assess", path, later, "--card", card],
        ["refresh", path, folder, "--anew"],
        ["assess", path, later],
    ):
        assert main([*map(str, asked), "--language", "de"]) == 0
        shown = capsys.readouterr().out
        assert len(shown.split()) > 10
        assert english_in(shown) == []
    assert english_in(card.read_text("utf-8")) == []
    assert main(["assess", str(path), str(later), "--card", str(card)]) == 0  # in English now
    assert "**Use.**" in card.read_text("utf-8")


def test_a_daybook_and_what_clinics_share_are_in_german(
    folder: Path, later: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    names = ("b.sqlite", "c.sqlite", "s1.json", "s2.json", "p.json", "n.xlsx")
    book, copy, one, two, pooled, new = (tmp_path / name for name in names)
    for asked in (
        ["daybook", book, "--from", later],
        ["daybook", book, "--backup", copy],
        ["daybook", book, "--export", tmp_path / "out"],
        ["daybook", book, "--check"],
        ["daybook", book, "--forget", forecast.read_log(later).courses["client_id"].iloc[0]],
        ["workbook", new],
        ["share", folder, "-o", one],
        ["share", later, "-o", two],
        ["pool", one, two, "-o", pooled],
    ):
        assert main([*map(str, asked), "--language", "de"]) == 0
        assert english_in(capsys.readouterr().out) == []


def test_what_a_daybook_refuses_is_said_in_german(
    later: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    book, new, other = tmp_path / "b.sqlite", tmp_path / "new.sqlite", tmp_path / "other"
    assert main(["daybook", str(book), "--from", str(later)]) == 0
    assert main(["daybook", str(book), "--export", str(tmp_path / "out")]) == 0
    with (tmp_path / "out" / "promises.csv").open("a", encoding="utf-8") as file:
        file.write("x\n")
    other.mkdir()
    (other / "notes.txt").write_text("mine")
    (tmp_path / "old.jsonl").write_text("[]\n")
    for asked in (
        [book],
        [tmp_path / "no" / "new.sqlite"],
        [new, "--from", tmp_path / "nothing"],
        [new, "--from", tmp_path / "out"],
        [new, "--from", tmp_path / "old.jsonl"],
        [book, "--export", other],
        [book, "--backup", other / "notes.txt"],
        [book, "--forget", "zz9"],
        [book, "--history", "zz9"],
    ):
        capsys.readouterr()
        assert main(["daybook", *map(str, asked), "--language", "de"]) == 1
        said = capsys.readouterr().err
        assert len(said.split()) > 4
        assert english_in(said.replace("forecast:", "")) == []
        assert not new.exists()


@pytest.mark.slow
def test_the_tour_is_in_german(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["tour", "-o", str(tmp_path), "--language", "de"]) == 0
    texts = [path.read_text("utf-8") for path in tmp_path.glob("*.txt")]
    assert len(texts) > 7
    for text in [capsys.readouterr().out, *texts]:
        assert english_in(text) == []
