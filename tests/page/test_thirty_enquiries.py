"""Thirty enquiries in which every caution has its trigger: none is missing anywhere."""

import html
import json
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import forecast
from forecast._notes import languages
from forecast.cli import main
from forecast.page.desk import Asked, Desk
from forecast.page.sheet import make_sheet
from forecast.page.words import load_words
from forecast.tattoo import CAUTIONS, FACTS

ALWAYS = {"eyewear", "plume", "consent", "aftercare", "local_rules"}
# what calls for a caution beside the fact of its name, written down once more
OF_INK = {"yellow": {"yellow_ink", "red_ink"}, "brown": {"brown_ink"}, "red": {"red_ink"}}
SITES = ("forearm", "face", "back", "ankle")
INKS = ("black", "black;red", "brown", "black;red;yellow", "white", "black;green")
ORIGINS = ("professional", "amateur", "cosmetic", "traumatic")
HEADER = ("skin_type", "body_site", "inks", "ink_density", "layering", "age_years", "origin")


def thirty() -> list[tuple[forecast.Enquiry, frozenset[str], bool]]:
    """Return thirty enquiries, what was answered with yes, and whether all was asked."""
    rng, facts = np.random.default_rng(30), list(FACTS)
    made = []
    for n in range(30):
        enquiry = forecast.Enquiry(
            ("I", "II", "III", "IV", "V", "VI")[n % 6],
            SITES[n % 4],
            INKS[n // 5],
            "medium",
            "single",
            age_years=(17, 25, 40)[n % 3],
            origin=ORIGINS[(n // 2) % 4],
            area_cm2=(20.0, 140.0)[n % 2],
        )
        yes = {facts[n % len(facts)], *rng.choice(facts, n % 3)} if n % 10 else set()
        made.append((enquiry, frozenset(map(str, yes)), n % 10 != 0))
    return made


def expected(enquiry: forecast.Enquiry, facts: frozenset[str], asked: bool) -> set[str]:
    inks = set(str(enquiry.inks).split(";"))
    keys = ALWAYS | facts | set().union(*(OF_INK.get(ink, set()) for ink in inks))
    warm = inks & {"red", "brown", "yellow", "white"} if enquiry.origin == "cosmetic" else set()
    keys |= {"cosmetic_darkening"} if "white" in inks or warm else set()
    keys |= {"darker_skin"} if enquiry.skin_type in ("IV", "V", "VI") else set()
    keys |= {"face_eyes"} if enquiry.body_site == "face" and "near_eye" not in facts else set()
    keys |= {"minor"} if (enquiry.age_years or 99) < 18 else set()
    keys |= {"local_anaesthetic"} if (enquiry.area_cm2 or 0) > 100 else set()
    keys |= {"traumatic"} if enquiry.origin == "traumatic" and "powder" not in facts else set()
    return keys | (set() if asked else {"not_asked"})


CASES = thirty()


def plain(text: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def named(text: str) -> str:
    """Return the beginning of a caution, which no wavelength at hand changes."""
    return " ".join(text.split())[:60].rstrip()


def test_every_caution_has_its_trigger_among_the_thirty():
    assert len(CASES) == 30
    assert set().union(*(expected(*case) for case in CASES)) == {one.key for one in CAUTIONS}


@pytest.mark.parametrize("case", CASES, ids=range(30))
def test_none_is_missing_on_the_command_line(
    case: Any, files: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    enquiry, facts, asked = case
    values = {**asdict(enquiry), "area_cm2": enquiry.area_cm2}
    names = (*HEADER, "area_cm2")
    path = tmp_path / "enquiry.csv"
    path.write_text(f"{','.join(names)}\n{','.join(str(values[name]) for name in names)}\n")
    command = ["estimate", str(files / "model.json"), str(path)]
    command += ["--facts", ",".join(sorted(facts)) or "none"] if asked else []
    assert main([*command, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["estimates"][0]["cautions"]
    assert {one["key"] for one in found} == expected(*case)
    assert main([*command, "--details"]) == 0
    said = plain(capsys.readouterr().out)
    assert [one["key"] for one in found if named(one["text"]) not in said] == []


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("case", CASES, ids=range(30))
def test_none_is_missing_on_page_and_sheet(case: Any, language: str, desk: Desk, client: Any):
    enquiry, facts, asked = case
    keys, words = expected(*case), load_words(language)
    sent = {name: value for name, value in asdict(enquiry).items() if value not in (None, {})}
    sent |= {"inks": str(enquiry.inks).split(";"), "facts": sorted(facts)}
    sent |= {name: str(sent[name]) for name in ("age_years", "area_cm2")}
    sent |= {"questions": "asked"} if asked else {}
    reply = client.post(f"/answer?language={language}", sent)
    assert reply.status == 200, reply.text
    page = plain(" ".join(str(part) for part in reply.json().values()))
    texts = {one.key: one for one in CAUTIONS if one.key in keys - {"not_asked"}}
    assert [k for k, one in texts.items() if named(words.caution(one)[0]) not in page] == []
    sheet = plain(
        make_sheet(desk, Asked(enquiry, facts=facts, questions_asked=asked), language=language)
    )
    assert [key for key in texts if named(words.say(f"client.{key}")) not in sheet] == []
    others = [one for one in CAUTIONS if one.key not in keys]
    assert [one.key for one in others if named(words.caution(one)[0]) in page] == []
