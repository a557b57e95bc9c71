"""What a comparison hands back: its protocol, its doubts, its JSON, its line for the desk."""

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from forecast._notes import texts_of
from forecast.log import OutcomeLog
from forecast.regimes.compare import compare_regimes, regime_verdict
from forecast.regimes.comparison import SETTLED_BY, _support_notes, settling_notes
from forecast.regimes.verdict import Settings, read_strategy

from .made import made_log, with_tables

QUICK = {"horizon": 10, "replicates": 60}


def test_an_item_of_the_trial_has_a_name_of_its_own_in_json(comparison):
    assert [*comparison.to_dict()["target_trial"]][:4] == [
        "eligible", "strategies", "assignment", "time_zero"
    ]  # fmt: skip
    renamed = tuple((f"{head}!", text) for head, text in comparison.target_trial)
    again = replace(comparison, target_trial=renamed).to_dict()
    assert again["target_trial"] == comparison.to_dict()["target_trial"]


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
    by_quantity = frame.groupby("quantity")["horizon"]
    assert by_quantity.get_group("sessions_g_formula").eq(comparison.horizon).all()
    assert by_quantity.get_group("cleared_by_5").eq(5).all()
    assert by_quantity.get_group("weeks").isna().all()
    assert {"sessions", "cleared_by_5", "weeks", "sessions_g_formula"} <= set(frame["quantity"])


def test_a_short_horizon_says_what_it_leaves_out(log):
    found = compare_regimes(log, horizon=5, replicates=20)
    curve = found.curves.query("group == 'all' and strategy == 'ns'")
    share = curve["survival"].iloc[-1]
    (said,) = said_of(found, "uncleared")
    assert re.search(rf"\b{100 * share:.0f} % \(\d+ to \d+ %\) under ns", said)


def test_without_gradings_the_doubt_is_said(log):
    blind = with_tables(log, gradings=None)
    found = compare_regimes(blind, **QUICK)
    assert any(note.startswith("No gradings") for note in map(str, found.notes))


def test_without_operators_the_doubt_is_said(log, comparison):
    blind = with_tables(log, sessions=log.sessions.assign(operator_id=None))
    (said,) = said_of(compare_regimes(blind, **QUICK), "no_operators")
    assert "recorded for 0 % of the sessions" in said
    assert not said_of(comparison, "no_operators")


def test_groups_too_small_to_be_compared_hear_what_they_need(log):
    found = compare_regimes(log, by="skin_type", horizon=14, replicates=20)
    (said,) = said_of(found, "groups_unknown")
    assert "Each needs 10 followers of both, 5 of them still at risk at session 14" in said


def test_looking_again_widens_weeks_as_it_widens_sessions(log):
    found = compare_regimes(log, horizon=8, replicates=40, looking_again=True)
    sessions, weeks = found.difference["ps - ns"], found.sensitivity.weeks["ps - ns"]
    wider = [(one.interval[1] - one.estimate) / one.error for one in (sessions, weeks)]
    assert wider[1] == pytest.approx(wider[0], rel=0.3)


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
    assert str(found.desk_line).endswith(
        "to session 10). Pulse and wavelength went together there."
    )
    assert "Puls und Wellenlänge" in found.desk_line.say("de")
    alike = with_tables(log, sessions=log.sessions.assign(wavelengths_nm="1064"))
    assert "wavelength" not in compare_regimes(alike, **QUICK).words["ps - ns"]


def test_wavelengths_of_which_the_commonest_are_the_same_are_not_said_to_differ(log):
    ps = log.sessions["regime"] == "ps"
    turn = np.arange(len(log.sessions)) % 5
    other = np.where(ps, np.char.add("7", turn.astype(str)), np.char.add("5", turn.astype(str)))
    fired = np.where(turn < 2, "1064", np.char.add(other, "5"))
    fired = with_tables(log, sessions=log.sessions.assign(wavelengths_nm=fired))
    found = compare_regimes(fired, **QUICK)
    assert "both most often fired 1064 nm, but less than half" in found.words["ps - ns"]
    assert "am häufigsten mit 1064 nm" in found.to_text(language="de")


def test_one_line_for_the_desk_has_its_numbers(log, found_alone):
    said = found_alone.desk_line
    line = said.values.get("line", said)  # where wavelengths went with the pulse, a part
    assert line.code == f"regimes.desk_{found_alone.verdict['ps - ns']}".replace(
        "cannot say", "unclear"
    )
    at = f"from 40 resamples, to session {found_alone.horizons['ps - ns']})"
    assert at in str(said)
    assert said.say("de").startswith("Schnellere Pulse: Unsere eigenen Behandlungen")
    assert "aus 40 Ziehungen, bis Sitzung" in said.say("de")
    one = regime_verdict(OutcomeLog.from_frames(log.courses))
    assert one is None


def said_of(found, code, language="en"):
    return [note.say(language) for note in found.notes if note.code == f"regimes.{code}"]


@pytest.fixture(scope="module")
def small():
    """Return a log of few courses, of which none is cleared before session 6."""
    need, first = np.resize([6, 7, 8, 9], 32), np.resize(["ns", "ns", "ps", "ps", "ps"], 32)
    return made_log(need, first, pace=2.5 / need)


def test_what_would_settle_it_stands_beside_an_answer_that_cannot_say(small):
    found = compare_regimes(small, horizon=6, replicates=20)
    assert found.verdict["ps - ns"] == "cannot say"
    (said,) = said_of(found, "to_settle")
    assert "worth 30 after weighting" in said
    assert "5 are cleared under each" in said
    assert said in found.to_text().partition("The trial that this imitates")[0]
    (german,) = said_of(found, "to_settle", "de")
    assert german in found.to_text(language="de").partition("Die Studie")[0]


def test_a_change_that_nobody_had_is_not_said_to_be_of_stalled_courses(small):
    found = compare_regimes(small, strategies=("ns", "ns:3>ps"), horizon=6, replicates=20)
    assert said_of(found, "few_changed")
    assert not said_of(found, "hardly_a_chance")


def test_every_reason_for_no_verdict_has_a_way_to_settle_it():
    told = texts_of("en")["notes"]["regimes"]
    reasons = {name.removeprefix("because_") for name in told if name.startswith("because_")}
    # the interval says with numbers what a log like this one can show
    assert reasons - {"interval_covers_margin"} == set(SETTLED_BY)
    (note,) = settling_notes({"a - b": list(SETTLED_BY)})
    for language in ("en", "de"):  # where like tattoos are missing more courses are no way
        assert note.say(language).count(".") == len(set(SETTLED_BY.values()) - {"more"})


def test_pairs_that_the_same_would_settle_are_named_together():
    few = ["too_few_clients"]
    (note,) = settling_notes({"ps - ns": few, "a - ns": few, "a - ps": []})
    assert note.values["pairs"] == ["ps - ns", "a - ns"]
    assert str(note).endswith(
        "ask again with --plan 1, a difference of one session between ps and ns (plan_comparison)."
    )
    (other,) = settling_notes({"a - ns": few})
    assert "plan" not in str(other)


def test_means_that_stand_beside_each_other_go_to_one_session(log):
    found = compare_regimes(log, strategies=("ns", "ps", "ns:4>ps"), replicates=20)
    first = min(found.horizons.values())
    assert len(set(found.horizons.values())) > 1
    rows = found.to_frame().query("quantity == 'mean_sessions'")
    assert list(rows["comparison"]) == ["ns", "ps", "ns:4>ps"]
    assert (rows["horizon"] == first).all()
    alike = [key for key, last in found.horizons.items() if last == first]
    for key in alike:
        left, right = (found.means[name].estimate for name in key.split(" - "))
        assert left - right == pytest.approx(found.difference[key].estimate)


def test_where_all_resamples_give_the_same_nothing_is_said_to_agree(small):
    found = compare_regimes(small, horizon=4, replicates=20)
    assert "zero_width" in found.reasons["ps - ns"]
    agree = ("second_route_agrees", "fading_agrees", "second_route_disagrees", "fading_disagrees")
    assert not any(said_of(found, code) for code in agree)


def test_no_number_of_a_route_or_a_share_stands_without_its_doubt(comparison):
    (second,) = said_of(comparison, "second_route_agrees")
    assert re.search(r"gives -\d\.\d sessions \(.+ to .+\); the two agree", second)
    (uncleared,) = said_of(comparison, "uncleared")
    shares = re.findall(r"\d+ % \(\d+ to \d+ %\) under (ns|ps)", uncleared)
    assert shares == ["ns", "ps"]


def test_what_is_needed_is_never_less_than_what_there_is(small):
    late = with_tables(small, sessions=small.sessions.assign(regime="ns"))
    changed = late.sessions["regime"].where(late.sessions["course_id"] > "c25", "ps")
    late = with_tables(late, sessions=late.sessions.assign(regime=changed))
    for log in (small, late):
        found = compare_regimes(log, replicates=20)
        for said in (*said_of(found, "out_of_reach"), *said_of(found, "never_in_reach")):
            pairs = re.findall(r"(\d+) \((\d+) needed\)", said)
            assert any(int(have) < int(need) for have, need in pairs), said
        assert not said_of(found, "change_out_of_reach")  # nothing changes in these strategies


@pytest.mark.parametrize(
    ("strategy", "reach", "code"),
    [
        ("ps", 0, "never_in_reach"),
        ("ps", 1, "out_of_reach"),
        ("ns:4>ps", 4, "change_out_of_reach"),  # what is followed before it is of ns alone
        ("ns:4>ps", 5, "out_of_reach"),
        ("ps", 9, "few_followers"),
    ],
)
def test_how_far_a_strategy_is_followed_is_said_from_its_change_on(strategy, reach, code):
    names = ("ns", strategy)
    ways = tuple(read_strategy(name, 9) for name in names)
    settings = Settings(ways, horizon=9, margin=1.0, level=0.95, replicates=0, seed=0)
    found = SimpleNamespace(
        followers=dict.fromkeys(names, 12),
        cleared=dict.fromkeys(names, 99),
        supported_to={"ns": 9, strategy: reach},
        at_risk=pd.DataFrame(3, index=range(10), columns=names),
    )
    said = [one.code for one in _support_notes(found, settings) if one.values.get("strategy")]
    assert said == ["regimes.few_followers", f"regimes.{code}"]


def test_equivalent_says_what_is_open_after_its_horizon(comparison):
    key, short = "ps - ns", comparison.horizons["ps - ns"]
    curves = pd.DataFrame(
        [(name, "all", short, 0.6, 0.5, 0.7) for name in ("ns", "ps")],
        columns=["strategy", "group", "session", "survival", "low", "high"],
    )
    near = type(comparison.difference[key]).normal(0.1, 0.2, 0.95)
    parts = {name: getattr(comparison, name) for name in comparison.__dataclass_fields__}
    parts |= {"difference": {key: near}, "verdict": {key: "equivalent"}, "reasons": {key: ()}}
    open_ = type(comparison)(**parts | {"curves": curves})
    assert "60 % (50 to 70 %) under ns" in open_.words[key]
    assert "may still differ" in open_.words[key]
    assert "later the two may differ" in str(open_.desk_line)
    assert "später" in open_.desk_line.say("de")
    done = type(comparison)(**parts | {"curves": curves.assign(survival=0.1)})
    assert "differ" not in done.words[key].replace("differences", "")
