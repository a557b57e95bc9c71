"""A row added to a table is followed everywhere; every level has a word in every language."""

import json
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from forecast.counts import REFERENCES
from forecast.log import LEVELLED, TABLES
from forecast.tattoo import REGIONS

PACKAGE = Path(__file__).parents[1] / "forecast"
LANGUAGES = sorted((PACKAGE / "languages").glob("*.toml"))

GOLD = """
[inks.gold]
group = "black and red"
covariates = ["ink_warm"]
cautions = ["red_ink"]
darkens = "always"
532 = { grade = "strong", source = "ZELICKSON94" }
otherwise = "weak"
"""

# Answers of the package about a tattoo in black and an ink of the name given, as JSON.
ASK = """
import json, sys
from forecast import Enquiry, simulate_log
from forecast.counts.attributes import covariates
from forecast.invented.world import REACH
from forecast.log import OutcomeLog, column
from forecast.log.columns import data_package
from forecast.reactions.reactions import KINDS, OUTCOMES, session_rows
from forecast.tattoo import Laser, cautions_for, groups_of, unreached_inks

ink = sys.argv[1]
enquiry = Enquiry("II", "forearm", [ink, "black"], "medium", "single")
row = {name: [getattr(enquiry, name)] for name in Enquiry.__slots__}
values = covariates(row | {"unreached": [0], "years_from_now": [0]})
fields = {
    (table["name"], field["name"]): field["constraints"]
    for table in data_package()["resources"]
    for field in table["schema"]["fields"]
    if "constraints" in field
}
log = simulate_log(20, seed=1)
courses, reactions = log.courses.copy(), log.reactions.iloc[:1].copy()
courses.loc[0, "inks"] = enquiry.inks
kind = column("reactions", "reaction").levels[-1]
reactions = reactions.assign(course_id=courses["course_id"][0], after_session=1, reaction=kind)
read = OutcomeLog.from_frames(courses, log.sessions, reactions=reactions)
print(json.dumps({
    "inks": enquiry.inks,
    "covariates": [name for name, value in values.items() if "ink" in name and value[0]],
    "group": groups_of([enquiry])["inks"][0],
    "cautions": [caution.key for caution in cautions_for(enquiry)],
    "left by 1064": unreached_inks(enquiry.inks, [Laser("ns", (1064,))]),
    "left by 532": unreached_inks(enquiry.inks, [Laser("ns", (532,))]),
    "invented": REACH[ink],
    "set aside": len(read.report.set_aside),
    "kind": kind,
    "outcomes": [kind in KINDS, kind in OUTCOMES, int(session_rows(read)[kind].sum())],
    "pattern": fields["courses", "inks"]["pattern"],
    "enum": fields["reactions", "reaction"]["enum"],
}))
"""


def asked_of(package: Path, ink: str, asking: str = ASK) -> subprocess.CompletedProcess[str]:
    """Return what a copy of the package answers, about an ink if nothing else is asked."""
    return subprocess.run(
        [sys.executable, "-c", asking, ink],
        capture_output=True,
        text=True,
        cwd=package.parent,
        env={"PYTHONPATH": str(package.parent), "PATH": "", "OMP_NUM_THREADS": "1"},
        check=False,
    )


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    shutil.copytree(PACKAGE, tmp_path / "forecast", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path / "forecast"


def test_an_ink_and_a_kind_of_reaction_added_to_their_tables_are_followed_everywhere(copied: Path):
    inks, columns = copied / "tattoo" / "inks.toml", copied / "log" / "columns.toml"
    inks.write_text(inks.read_text("utf-8") + GOLD, "utf-8")
    rules = columns.read_text("utf-8")
    assert "prolonged_redness" in rules
    columns.write_text(rules.replace("prolonged_redness", "prolonged_redness paradox"), "utf-8")

    ran = asked_of(copied, "gold")
    assert ran.returncode == 0, ran.stderr
    found = json.loads(ran.stdout)

    assert found["inks"] == "black;gold"
    assert found["covariates"] == ["ink_warm", "more_inks"]
    assert found["group"] == "black and red"
    assert {"red_ink", "cosmetic_darkening"} <= set(found["cautions"])
    assert found["left by 1064"] == ["gold"]
    assert found["left by 532"] == []
    assert found["invented"] == [532]
    assert "|gold)" in found["pattern"]
    assert found["set aside"] == 0
    assert found["kind"] == found["enum"][-1] == "paradox"
    assert found["outcomes"] == [True, True, 1]


def test_an_ink_of_which_something_is_not_filled_in_is_named_with_its_table(copied: Path):
    inks = copied / "tattoo" / "inks.toml"
    half = GOLD.replace('group = "black and red"\n', "")
    inks.write_text(inks.read_text("utf-8") + half, "utf-8")
    ran = asked_of(copied, "gold")
    last = ran.stderr.strip().splitlines()[-1]
    assert "DataError: In inks.toml, group of gold is ''. Fill in what it is there" in last


@pytest.mark.parametrize("path", LANGUAGES, ids=lambda path: path.stem)
def test_every_level_that_an_enquiry_may_have_has_a_word(path: Path):
    words = tomllib.loads(path.read_text("utf-8"))["levels"]
    rules = [rule for table in reversed(list(TABLES.values())) for rule in table]
    known = {rule.name: set(rule.levels) for rule in rules}
    known["outcome"].discard("ongoing")  # which is no end of a course
    levels = {name: known[name] for name in words}
    levels["body_site"] |= set(REGIONS)
    assert {"inks", "body_site", "skin_type", "origin"} <= set(words)
    assert {name: set(said) for name, said in words.items()} == levels
    assert all(word for said in words.values() for word in said.values())


# What the package asks for by default, wherever it is asked.
DEFAULTS = """
import json
from inspect import signature
from forecast import compare_regimes, fit_forecaster, simulate_log, what_would_change
from forecast.assess import interval_coverage
from forecast.cli import build_parser

def of(function, name):
    return signature(function).parameters[name].default

parser = build_parser()
ask = lambda *given: vars(parser.parse_args(given))
log = simulate_log(60, seed=3)
found = compare_regimes(log, replicates=20)
print(json.dumps({
    "fit": [of(fit_forecaster, "horizon"), ask("fit", "log", "-o", "m")["horizon"]],
    "estimate": [ask(name, "m", "e")["level"] for name in ("estimate", "update", "assess")],
    "coverage": of(interval_coverage, "level"),
    "reach": [of(what_would_change, "horizon"), ask("reach", "log")["horizon"]],
    "compare": found.horizon,
    "estimand": dict(found.target_trial)["Estimand"],
    "shown": [*found.cleared_by],
}))
"""


def test_a_default_is_changed_in_one_place(copied: Path):
    checks = copied / "_checks.py"
    given = checks.read_text("utf-8")
    new = {"HORIZON = 25": "HORIZON = 20", "LEVEL = 0.8": "LEVEL = 0.7"}
    new |= {"SHOWN_AT = (5, 10, 15)": "SHOWN_AT = (4, 8)", "COMPARED_TO = 15": "COMPARED_TO = 7"}
    for was, now in new.items():
        assert given.count(was) == 1
        given = given.replace(was, now)
    checks.write_text(given, "utf-8")

    ran = asked_of(copied, "", DEFAULTS)
    assert ran.returncode == 0, ran.stderr
    found = json.loads(ran.stdout)
    assert found["fit"] == [20, 20]
    assert found["estimate"] == [0.7] * 3
    assert found["coverage"] == 0.7
    assert found["reach"] == [7, 7]
    assert found["compare"] <= 7
    assert "at most 7" in found["estimand"]
    assert "cleared by 4 and 8 sessions" in found["estimand"]
    assert found["shown"] == [4, 8]


# An attribute more: what is written of it in each file, before a line that is there.
HYDRATED = (
    'hydration = {log_hazard_ratio = -0.9, width = 0.1, measure = "none", source = "{trade}"}'
)
HYDRATION = {
    "log/columns.toml": {
        "smoker = {": 'hydration = { kind = "level", levels = "low usual", meaning = "Skin." }',
    },
    "log/enquiry.py": {"    smoker: str | None": "    hydration: str | None = None"},
    "counts/attributes.py": {
        '    "smoker": {"no"': '    "hydration": {"low": 1, "usual": 0},',
        '    "age_curve": "age_years"': '    "hydration": "hydration",',
    },
    "counts/effects.toml": {"scarring = {": HYDRATED},
    "languages/en.toml": {
        "[levels.regime]": '[levels.hydration]\nlow = "dry"\nusual = "as usual"',
        'of_scarring = "': 'of_hydration = "{level} hydration"',
        'smoker_term = "': 'hydration = "Is the skin dry?"\nhydration_term = "hydration"',
    },
}
ASK_OF_DRY_SKIN = """
import json
from forecast import Enquiry, fit_forecaster, simulate_log
from forecast.log import OutcomeLog
from forecast.page.desk import Desk
from forecast.page.sheet import render_page
from forecast.page.words import load_words

log = simulate_log(60, seed=3)
courses = log.courses.assign(hydration=["usual"] * len(log.courses))
forecaster = fit_forecaster(OutcomeLog.from_frames(courses, log.sessions))
dry = Enquiry("II", "forearm", "black", "medium", "single", hydration="low")
page = render_page(Desk({"clear": forecaster}, None), load_words("en"))
print(json.dumps({
    "driver": [one.to_text() for one in forecaster.drivers(dry) if one.attribute == "hydration"],
    "levels": forecaster.log_summary.levels["hydration"],
    "unlike": list(forecaster.log_summary.similar(dry)["unlike"]),
    "doubts": [str(one) for one in forecaster.estimate(dry).notes if "hydration" in str(one)],
    "page": [text in page for text in ("Is the skin dry?", '"hydration" value="low"', "> dry<")],
}))
"""


def test_every_attribute_with_levels_is_compared_with_one_of_them():
    rules = {rule.name: rule for rule in TABLES["courses"]}
    assert set(REFERENCES) == {*LEVELLED, "inks"}
    assert all(level in rules[name].levels for name, level in REFERENCES.items())


def test_an_attribute_with_levels_is_followed_everywhere(copied: Path):
    for name, lines in HYDRATION.items():
        text = (copied / name).read_text("utf-8")
        for before, line in lines.items():
            assert text.count(f"\n{before}") == 1, (name, before)
            text = text.replace(f"\n{before}", f"\n{line}\n{before}")
        (copied / name).write_text(text, "utf-8")

    ran = asked_of(copied, "", ASK_OF_DRY_SKIN)
    assert ran.returncode == 0, ran.stderr
    found = json.loads(ran.stdout)
    assert found["driver"][0].startswith("hydration low instead of usual: +")
    assert found["levels"] == {"usual": 60}
    assert "hydration" in found["unlike"]
    assert found["doubts"] == ["No course with low hydration in this log."]
    assert found["page"] == [True] * 3
