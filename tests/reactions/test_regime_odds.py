"""Reactions after ps against ns: the sign is right, and where the log cannot tell it says so."""

import numpy as np
import pandas as pd
import pytest

from forecast.causal.rates import MixedLogistic
from forecast.errors import FitError
from forecast.invented import World, simulate_log
from forecast.log import OutcomeLog
from forecast.reactions import fit_reactions
from forecast.reactions.regime_odds import _case_mix


def with_tables(log, **tables):
    """Return the log with some of its tables replaced."""
    names = ("courses", "sessions", "gradings", "reactions", "lasers")
    frames = {name: getattr(log, name) for name in names} | tables
    return OutcomeLog.from_frames(**frames)


@pytest.mark.parametrize(("after", "verdict"), [("ps", "more"), ("ns", "fewer")])
def test_reactions_planted_after_one_regime_are_found_after_that_one(log, after, verdict):
    chance = np.where(log.sessions["regime"] == after, 0.12, 0.02)
    chosen = log.sessions[np.random.default_rng(1).random(len(chance)) < chance]
    dated = chosen[["course_id", "session_no"]].rename(columns={"session_no": "after_session"})
    found = fit_reactions(with_tables(log, reactions=dated.assign(reaction="scar"))).regime
    assert found.verdict == verdict
    assert (found.estimate > 2) if after == "ps" else (found.estimate < 0.5)
    assert found.reasons[0].code == "reactions.settled"


def test_one_operator_for_one_regime_cannot_be_answered():
    owned = fit_reactions(simulate_log(400, seed=3, world=World(ps_owner=True)))
    assert owned.regime.verdict == "cannot say"
    assert owned.regime.estimate is None
    assert owned.regime.interval == (None, None)
    assert owned.regime.unadjusted is not None
    assert "cannot be separated" in owned.regime.reason
    assert "How much of it is the regime cannot be said" in owned.to_text()


def test_an_ink_is_a_colour_by_its_group_in_the_table_of_inks():
    same = {"skin_type": "II", "ink_density": "light", "fluence_j_cm2": 2.0, "regime": "ns"}
    inks = ["black", "grey", "black;grey", "dark_blue", "red", "black;green"]
    columns, _ = _case_mix(pd.DataFrame([same | {"inks": one} for one in inks]))
    assert columns["colour"].tolist() == [0, 0, 0, 0, 1, 1]


def test_a_change_over_the_years_is_not_taken_for_the_regime(log):
    # Reactions that depend on the date alone, while the ps laser came late: fewer after ps,
    # until calendar time is held.
    rng = np.random.default_rng(1)
    late = (log.sessions["treated_on"] - log.sessions["treated_on"].min()).dt.days / 365.25
    chance = 0.12 * np.exp(-0.35 * late)
    chosen = log.sessions[rng.random(len(late)) < chance]
    dated = chosen[["course_id", "session_no"]].rename(columns={"session_no": "after_session"})
    found = fit_reactions(
        with_tables(log, reactions=dated.assign(reaction="blister", lasting="no"))
    ).regime
    assert found.verdict == "fewer"
    _, low, high = found.with_calendar
    assert low < 1 < high
    assert "over the years" in found.reason


def test_unrecorded_operators_make_the_regime_unanswerable(log):
    blank = with_tables(log, sessions=log.sessions.assign(operator_id=None))
    found = fit_reactions(blank)
    assert found.operators is None
    assert found.regime.verdict == "cannot say"
    assert "not recorded" in found.regime.reason


@pytest.mark.slow
def test_regime_interval_covers_the_planted_odds_ratio():
    covered, n_sets = 0, 60
    for seed in range(n_sets):
        world = World(operators=6, operator_seed=seed, reaction_regime=-0.3)
        low, high = fit_reactions(simulate_log(250, seed=seed, world=world)).regime.interval
        covered += low < np.exp(-0.3) < high
    assert covered / n_sets >= 0.95 - 2.5 * (0.95 * 0.05 / n_sets) ** 0.5


def first_sessions(log, regime, clients, each):
    """Return mild blisters after so many sessions of one regime of so many clients."""
    rows = log.sessions.merge(log.courses[["course_id", "client_id"]], on="course_id")
    rows = rows[rows["regime"] == regime]
    many = rows.groupby("client_id").filter(lambda one: len(one) >= each)
    kept = many[many["client_id"].isin(many["client_id"].unique()[:clients])]
    kept = kept.groupby("client_id").head(each)
    blister = {"reaction": "blister", "severity": "mild", "lasting": "no"}
    return pd.DataFrame(
        {"course_id": kept["course_id"], "after_session": kept["session_no"], **blister}
    )


def test_what_one_client_had_is_no_answer_about_the_regime(log):
    regime = fit_reactions(with_tables(log, reactions=first_sessions(log, "ps", 1, 8))).regime
    assert regime.verdict == "cannot say"
    assert [one.code for one in regime.reasons] == ["reactions.few_having"]


def test_sessions_of_one_client_go_together_with_one_operator_too(log):
    alone = log.sessions.assign(operator_id="O1")
    before = first_sessions(log, "ns", 20, 1)
    widths = {}
    for each, clients in ((1, 30), (5, 6)):  # as many reactions, of many clients and of few
        planted = pd.concat([before, first_sessions(log, "ps", clients, each)])
        planted = planted.drop_duplicates(["course_id", "after_session"])
        regime = fit_reactions(with_tables(log, sessions=alone, reactions=planted)).regime
        low, high = np.log(regime.interval)
        widths[each] = high - low
    assert widths[5] > 1.2 * widths[1]


def test_a_fit_that_does_not_settle_is_no_answer(log, monkeypatch):
    def fit(*_, **__):
        raise FitError("It ran away.", "Use shrink=1.")

    monkeypatch.setattr(MixedLogistic, "fit", fit)
    report = fit_reactions(log)
    assert [one.code for one in report.regime.reasons] == ["reactions.not_settling"]
    assert "cannot say. The reactions lie so unevenly" in report.to_text()
    assert report.rate("any")
