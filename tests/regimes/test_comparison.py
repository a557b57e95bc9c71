"""What a comparison hands back: its protocol, its doubts, its JSON, its line for the desk."""

import json

import numpy as np

from forecast.log import OutcomeLog
from forecast.regimes.compare import DESK_REPLICATES, compare_regimes, regime_verdict

from .made import with_tables

QUICK = {"horizon": 10, "replicates": 60}


def test_the_target_trial_is_stated(comparison):
    items = dict(comparison.target_trial)
    assert list(items) == [
        "Eligible",
        "Strategies",
        "Assignment",
        "Time zero",
        "Outcome",
        "Estimand",
        "Analysis",
    ]
    assert "ns for the first 4 sessions, then ps" in items["Strategies"]


def test_json_has_the_agreed_keys_and_no_strange_numbers(comparison):
    told = json.loads(json.dumps(comparison.to_dict(), allow_nan=False))
    assert {"difference", "unadjusted", "verdict", "horizon", "notes"} <= set(told)
    assert set(told["difference"]["ps - ns"]) == {"estimate", "interval", "level"}
    assert told["difference"]["ns:4>ps - ns"] == {
        "estimate": None,
        "interval": [None, None],
        "level": 0.95,
    }
    frame = comparison.to_frame()
    assert list(frame.columns[:4]) == ["comparison", "quantity", "group", "estimate"]
    assert {"sessions", "cleared by 5", "weeks", "sessions, g-formula"} <= set(frame["quantity"])


def test_a_short_horizon_says_what_it_leaves_out(log):
    found = compare_regimes(log, horizon=5, replicates=20)
    curve = found.curves.query("group == 'all' and strategy == 'ns'")
    share = curve["survival"].iloc[-1]
    assert any(f"{100 * share:.0f} % under ns" in note for note in map(str, found.notes))


def test_without_gradings_the_doubt_is_said(log):
    blind = with_tables(log, gradings=None)
    found = compare_regimes(blind, **QUICK)
    assert any(note.startswith("No gradings") for note in map(str, found.notes))


def test_lasers_that_differ_in_wavelength_are_pointed_out(log):
    lasers = log.lasers.assign(
        wavelengths_nm=np.where(log.lasers["regime"] == "ps", "532;755;785;1064", "532;1064")
    )
    found = compare_regimes(with_tables(log, lasers=lasers), **QUICK)
    assert any("ps also has 755, 785 nm" in note for note in map(str, found.notes))


def test_wavelengths_that_go_with_the_pulse_are_said_to(log):
    alone = np.where(log.sessions["regime"] == "ps", "755", "1064")
    apart = with_tables(log, sessions=log.sessions.assign(wavelengths_nm=alone))
    found = compare_regimes(apart, **QUICK)
    assert "Pulse and wavelength cannot be separated" in found.words["ps - ns"]
    assert "ns mostly fired 1064 nm, ps 755 nm" in found.words["ps - ns"]
    answer = found.to_text().partition("The trial that this imitates")[0]
    assert answer.count("Pulse and wavelength") == 1
    assert str(found.desk_line).endswith("resamples). Pulse and wavelength went together there.")
    assert "Puls und Wellenlänge" in found.desk_line.say("de")
    alike = with_tables(log, sessions=log.sessions.assign(wavelengths_nm="1064"))
    assert "wavelength" not in compare_regimes(alike, **QUICK).words["ps - ns"]


def test_one_line_for_the_desk_has_its_numbers(log, found_alone):
    said = found_alone.desk_line
    line = said.values.get("line", said)  # where wavelengths went with the pulse, a part
    assert line.code == f"regimes.desk_{found_alone.verdict['ps - ns']}".replace(
        "cannot say", "unclear"
    )
    at = f"to session {found_alone.horizons['ps - ns']}, from {DESK_REPLICATES} resamples)"
    assert at in str(said)
    assert said.say("de").startswith("Schnellere Pulse: Unsere eigenen Behandlungen")
    assert f"aus {DESK_REPLICATES} Ziehungen)" in said.say("de")
    one = regime_verdict(OutcomeLog.from_frames(log.courses))
    assert one is None
