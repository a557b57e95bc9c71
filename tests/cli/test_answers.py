"""The usual questions are answered in the first five lines that a command prints."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

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
        r"! (Fading slower than|The gradings level off)",
    ),
    "what do I charge": (PRICE, r"price in EUR, tax included +pay_per_session +block_6"),
    "which package loses": (PRICE, r"(No package loses money on average|Packages that lose money)"),
    "how many appointments in March": (
        "appointments MODEL LOG --weeks 52",
        r"By month: .*March( 20\d\d)? \d+",
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
    for name, text in {**files, "tariff.toml": tariff_template()}.items():
        (place / name).write_text(text, encoding="utf-8")
    places = {"MODEL": str(model), "LOG": str(folder)}
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


GERMAN = [
    "estimate MODEL two.csv --drivers --details",
    "estimate MODEL one.csv --facts infection",
    "update MODEL one.csv --sessions-done 8 --gradings stalled.csv --tariff tariff.toml --drivers",
    f"{PRICE} --details --log LOG",
    "appointments MODEL LOG --weeks 30 --tariff tariff.toml --details",
    "reach LOG --wavelengths 694 --price 90000 --worth-cleared 500",
]
ENGLISH = re.compile(r"\b(the|of|with|clients?|sessions?|courses?|tax|from|not|and|is|are)\b")
NAMES = re.compile(r"per_session|stop_factor|[a-z]+_[a-z_\d]+|forecast check")


@pytest.mark.parametrize("asked", GERMAN)
def test_an_answer_in_german_has_no_english_line(
    asked: str, folder: Path, printed: Callable[..., str]
):
    shown = printed(asked, "--language", "de").replace(str(folder), "LOG")
    lines = NAMES.sub("", shown).splitlines()
    assert [line for line in lines if ENGLISH.search(line)] == []
