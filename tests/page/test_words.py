"""Each language says everything, and says it with its own numbers, dates and money."""

import re
import tomllib
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

import forecast
from forecast._notes import Note, languages
from forecast.errors import RequestError
from forecast.page.answer import answer
from forecast.page.desk import Asked, Desk
from forecast.page.words import load_words
from forecast.tattoo import CAUTIONS, FACTS, cautions_for, cite, uptake_table

ONLY_TRANSLATED = {"command_line", "patterns"}
FILES = Path(forecast.__file__).parent / "languages"
HOLE = re.compile(r"\{(\w+)[^}]*\}")
GERMAN = load_words("de")
ASKED = [
    Asked(forecast.Enquiry("V", "forearm", "black;red", "medium", "single")),
    Asked(
        forecast.Enquiry(
            "VI", "foot", "white;green;yellow", "heavy", "layered", 99, "cosmetic", 9000, 80,
            "marked", "yes",
        ),
        facts=frozenset(FACTS),
    ),
    Asked(forecast.Enquiry("I", "finger", "flesh;purple", "light", "single", 16, "traumatic")),
    Asked(
        forecast.Enquiry("II", "back", "black", "light", "single"),
        sessions_done=5,
        gradings=((1, 60.0), (3, 10.0), (5, 99.0)),
    ),
    Asked(forecast.Enquiry("II", "back", "black", "light", "single"), sessions_done=3),
]  # fmt: skip


def flat(texts: Any, prefix: str = "") -> dict[str, str]:
    """Return all texts by dotted key."""
    if not isinstance(texts, dict):
        return {prefix.rstrip("."): str(texts)}
    found: dict[str, str] = {}
    for key, value in texts.items():
        if prefix or key not in ONLY_TRANSLATED:
            found |= flat(value, f"{prefix}{key}.")
    return found


def texts_of(code: str) -> dict[str, str]:
    return flat(tomllib.loads((FILES / f"{code}.toml").read_text(encoding="utf-8")))


def test_english_and_one_more_language_are_shipped():
    assert {"en", "de"} <= set(languages())


@pytest.mark.parametrize("code", languages())
def test_every_language_has_every_text_with_the_same_holes(code: str):
    english, other = (texts_of(one) for one in ("en", code))
    assert set(other) == set(english)
    for key, text in english.items():
        assert set(HOLE.findall(other[key])) == set(HOLE.findall(text)), key


NAMES = {  # of models, groups and levels as answers have them, none of more than a few words
    "cannot say", "clinic's currency", "J/cm2",
    "darkening risk", "not recorded", "black and red", "other colours", "dark blue",
    "light blue", "upper arm", "lower leg", "life table", "cure mixture", "fewer than five",
    "lognormal, some never", "loglogistic, some never", "weibull, some never",
    "discrete hazard (cloglog, smooth baseline)",
}  # fmt: skip


@pytest.mark.parametrize("code", languages())
def test_a_term_is_looked_up_by_a_code_and_by_no_sentence(code: str):
    terms = tomllib.loads((FILES / f"{code}.toml").read_text(encoding="utf-8"))["terms"]
    assert {one for one in terms if not re.fullmatch(r"[a-z0-9_]+", one)} == NAMES


def test_what_is_reworded_in_english_is_still_said_in_german(reword: Any):
    german = cite("published_reviews", "de")
    (red,) = (one for one in uptake_table() if (one.ink, one.wavelength_nm) == ("red", 532))
    assert red.to_dict()["remark"] == "guinea-pigs"
    reword("en", {'"published reviews"': '"what reviews say"', '"guinea-pigs"': '"small animals"'})
    assert cite("published_reviews") == "what reviews say, from memory"
    assert cite("published_reviews", "de") == german
    assert red.to_dict()["remark"] == "small animals"


CODE = re.compile(r"\b(?:Note|sentence|problem_and_remedy)\(\s*\"([a-z]+\.\w+)\"")


@pytest.mark.parametrize("code", languages())
def test_every_code_that_the_program_says_has_its_sentence(code: str):
    sources = [path.read_text(encoding="utf-8") for path in FILES.parent.rglob("*.py")]
    said = {found for source in sources for found in CODE.findall(source)}
    assert len(said) > 300
    assert {f"notes.{one}" for one in said} - set(texts_of(code)) == set()


# said by a code of one table: of pictures, by `drawing`, and of what is being done
SAID = {
    "picture": re.compile(r'\bsay\(\s*"(\w+)"'),
    "progress": re.compile(r'progress\(.*, "(\w+)"'),
}


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize(("table", "room"), [("picture", "figures"), ("progress", "cli")])
def test_every_code_of_a_picture_and_of_what_is_done_has_its_sentence(
    code: str, table: str, room: str
):
    sources = [path.read_text(encoding="utf-8") for path in (FILES.parent / room).glob("*.py")]
    said = {found for source in sources for found in SAID[table].findall(source)}
    assert len(said) > 10
    assert {f"notes.{table}.{one}" for one in said} - set(texts_of(code)) == set()


@pytest.mark.parametrize("code", sorted(set(languages()) - {"en"}))
def test_every_caution_and_question_is_translated(code: str):
    words = load_words(code)
    for caution in CAUTIONS:
        text, own = words.caution(caution)
        assert own
        assert text != caution.text
    for fact in FACTS:
        assert words.has(f"facts.{fact}")


STAFF = re.compile(
    r"\b(IEC|ANSI|nm|[Pp]rescriber|[Cc]onsent|[Ll]icensed|[Rr]efer|Aufklärung|Konsens)\b"
)


@pytest.mark.parametrize("code", languages())
def test_every_caution_has_words_for_the_client_and_none_that_are_for_staff(code: str):
    words = load_words(code)
    said = {caution.key: words.say(f"client.{caution.key}") for caution in CAUTIONS}
    assert len(set(said.values())) == len(CAUTIONS)
    assert [text for text in said.values() if STAFF.search(text)] == []
    assert set(words.texts["client"]) == set(said)


def test_the_wavelengths_of_the_eyewear_survive_the_translation():
    enquiry = forecast.Enquiry("II", "back", "black", "light", "single")
    found = {one.key: one for one in cautions_for(enquiry, wavelengths_nm=[1064, 532])}
    text, own = GERMAN.caution(found["eyewear"])
    assert own
    assert "532, 1064 nm" in text


@pytest.mark.parametrize("asked", ASKED)
def test_an_answer_in_german_leaves_no_english_note(desk: Desk, asked: Asked):
    found = answer(desk, asked, GERMAN)
    assert found is not None
    left = [text for text, own in found.notes if not own]
    assert left == []
    english = re.compile(r"\b(the|of|with|clients?|sessions?|course|ink)\b")
    said = [text for text, _ in found.notes] + [found.similar, found.headline, *found.lines]
    said += [row.text for row in found.drivers] + [row.text for row in found.cautions]
    assert [text for text in said if english.search(text)] == []


def test_numbers_dates_and_money_follow_the_locale():
    # forms of the Unicode Common Locale Data Repository for en-GB and de-DE
    english = load_words("en")
    assert english.money(Decimal("1234.5"), "EUR") == "€1,234.50"
    assert GERMAN.money(Decimal("1234.5"), "EUR") == "1.234,50\N{NO-BREAK SPACE}€"
    assert english.day(date(2026, 3, 2)) == "2 March 2026"
    assert GERMAN.day(date(2026, 3, 2)) == "2. März 2026"
    assert english.month(date(2028, 8, 2)) == "August 2028"
    assert GERMAN.month(date(2026, 3, 2)) == "März 2026"
    note = Note("counts.practice_until", values={"day": "2024-12-31"})
    assert english.note(note)[0].endswith("two years to December 2024.")
    assert GERMAN.note(note)[0].endswith("zwei Jahren bis Dezember 2024.")
    no_day = Note("counts.practice_until", values={"day": "2024-99-31"})
    assert english.note(no_day)[0].endswith("two years to 2024-99-31.")
    assert GERMAN.number(1234.5) == "1.234,5"
    assert GERMAN.number(-0.04, signed=True) == "+0,0"


def test_a_range_whose_ends_read_the_same_is_said_once():
    assert load_words("en").span("1", "1") == "1"
    assert GERMAN.span("März 2026", "April 2026") == "März 2026 bis April 2026"


def test_one_session_is_not_sessions():
    english = load_words("en")
    assert english.say("answer.about", {"n": 1, "number": "1"}) == "About 1 session"
    assert english.say("answer.about", {"n": 2, "number": "2"}) == "About 2 sessions"
    assert GERMAN.say("answer.about", {"n": 1, "number": "1"}) == "Etwa 1 Sitzung"


def test_a_language_that_is_not_there_is_refused():
    with pytest.raises(RequestError, match="'xx'"):
        load_words("xx")
    with pytest.raises(RequestError):
        load_words("../languages/en")


def test_a_sentence_asked_for_endless_digits_is_refused_at_once():
    span = {"low": 1.0, "high": 2.0, "low_digits": 1, "high_digits": 10**9}
    with pytest.raises(ValueError, match="more digits"):
        str(Note("regimes.all_more", values=span))
