"""The verdict on a difference, and the codes that say why it is kept back."""

import re

import numpy as np
import pytest

from forecast.regimes.verdict import (
    LOOK_AGAIN,
    Contrast,
    reasons_for,
    verdict_of,
    words_for,
)
from forecast.regimes.weighted_curves import Followers

CLEAR = Contrast.normal(-2.0, 0.3, 0.95)
WIDE = Contrast.normal(-0.5, 2.0, 0.95)


def test_a_difference_that_speaks_has_no_reason_against_it():
    assert verdict_of(CLEAR, margin=1.0) == "saves"
    assert reasons_for(CLEAR, 1.0) == ()


@pytest.mark.parametrize(
    ("contrast", "reason"),
    [
        (Contrast.missing(0.95), "too_few_followers"),
        (Contrast.normal(-1.0, 0.0, 0.95), "zero_width"),
        (WIDE, "interval_covers_margin"),
    ],
)
def test_why_a_difference_cannot_say_has_its_code(contrast: Contrast, reason: str):
    assert verdict_of(contrast, margin=1.0) == "cannot say"
    assert reasons_for(contrast, 1.0) == (reason,)


@pytest.mark.parametrize(
    ("clients", "effective", "without_chance", "codes"),
    [
        (20, 30.0, 0.5, ()),
        (19, 30.0, 0.0, ("too_few_clients",)),
        (20, 29.9, 0.0, ("too_few_effective",)),
        (20, 30.0, 0.51, ("hardly_a_chance",)),
    ],
)
def test_verdicts_and_estimates_ask_the_same_of_those_who_followed(
    clients, effective, without_chance, codes
):
    assert Followers(50, clients, effective, without_chance, 0.1).lacking == codes


def test_an_equivalent_verdict_shows_the_interval_that_it_rests_on():
    said = str(words_for("ps - ns", Contrast.normal(0.3, 0.41, 0.95), (), 10, 1.0))
    assert "90 % interval 0.4 fewer to 0.97 more" in said  # 0.974, which is not 1.0
    assert "The log is compatible only with differences below 1 session" in said
    assert "95 %" not in said


@pytest.mark.parametrize("estimate", [-0.004, 0.0, 0.02, -2.0])
def test_no_number_in_words_has_a_sign_or_is_nothing_beside_a_verdict(estimate):
    for error in (0.001, 0.04, 0.5):
        contrast = Contrast.normal(estimate, error, 0.95)
        said = str(words_for("ps - ns", contrast, reasons_for(contrast, 1.0), 10, 1.0))
        assert not re.search(r"-\d", said)
        assert "0.0 " not in said
        assert not re.search(r"[-+]0\.0+\b|-0\b(?!\.)", str(contrast.spoken("sessions")))
        assert not re.search(r"0\.0\d", said + str(contrast.spoken("sessions")))


def test_a_number_near_zero_is_no_finer_than_its_error_and_keeps_its_side():
    saved = Contrast.normal(-0.004, 0.002, 0.95)
    said = words_for("ps - ns", saved, reasons_for(saved, 1.0), 10, 1.0)
    assert "less than 0.1 sessions fewer (95 % interval less than 0.1 to less than 0.1" in str(said)
    assert "unter 0,1 Sitzungen weniger" in said.say("de")
    # beside a margin as small its decimals are what tells
    alike = Contrast.normal(0.004, 0.004, 0.95)
    said = str(words_for("ps - ns", alike, reasons_for(alike, 0.05), 10, 0.05))
    assert "interval less than 0.01 fewer to 0.01 more" in said


def test_an_end_near_zero_shows_on_which_side_it_lies():
    across = Contrast(0.21, (-0.04, 0.46), 0.95)
    assert str(across.spoken("sessions")) == "+0.2 sessions (just below 0 to +0.5)"
    assert across.spoken("weeks").say("de") == "+0,2 Wochen (knapp unter 0 bis +0,5)"
    assert str(Contrast(-0.0, (-2.0, 0.0), 0.95).spoken("sessions")) == "+0 sessions (-2.0 to +0)"


def test_every_reason_has_its_words_in_both_languages():
    codes = ["followers", "pairs", "cleared", "clients", "effective"]
    reasons = [f"too_few_{code}" for code in codes] + [
        "operators_apart",
        "zero_width",
        "no_overlap",
    ]
    reasons += ["hardly_a_chance", "interval_covers_margin", "not_at_every_look", "routes_disagree"]
    for contrast in (CLEAR, WIDE, Contrast.missing(0.95)):
        note = words_for("ps - ns", contrast, reasons, 8, 1.0)
        assert "cannot be separated" in note.say("en")
        assert "lassen sich nicht trennen" in note.say("de")


@pytest.mark.parametrize(
    ("other", "apart"),
    [
        (Contrast.normal(-1.0, 0.1, 0.95), True),  # 1.0 apart, 1.96 errors are 0.62
        (Contrast.normal(-1.4, 0.1, 0.95), False),
        (Contrast.missing(0.95), False),
    ],
)
def test_two_roads_disagree_beyond_both_their_errors(other, apart):
    assert CLEAR.disagrees(other) == other.disagrees(CLEAR) == apart


def test_an_interval_for_every_look_is_at_most_sixty_percent_wider_where_it_is_used():
    for error in (0.12, 0.25, 0.4):
        fixed = Contrast.normal(0.0, error, 0.95)
        ever = Contrast.normal(0.0, error, 0.95, again=LOOK_AGAIN)
        assert 1.5 < ever.interval[1] / fixed.interval[1] < 1.63
        assert ever.at_level(0.9)[1] < ever.interval[1]


def test_what_can_be_shown_is_a_chance_beyond_half_the_interval_its_verdict_rests_on():
    for again in (None, LOOK_AGAIN):
        one = Contrast.normal(0.0, 0.4, 0.5, again=again)  # whatever level is shown
        assert one.detectable == pytest.approx(one.at_level(0.95)[1] + 0.84 * 0.4)


def test_a_boundary_for_every_look_is_crossed_by_chance_less_often_than_said():
    # a random walk of known variance, looked at 36 times: the false alarms of both intervals
    rng = np.random.default_rng(1)
    walks = rng.normal(size=(2000, 36)).cumsum(axis=1)
    information = np.arange(1, 37) / 36 * 16.0  # a standard error of 1/4 at the end
    estimate = walks * (16 / 36) ** 0.5 / information
    ever = [Contrast.normal(0.0, i**-0.5, 0.95, again=LOOK_AGAIN).interval[1] for i in information]
    assert (np.abs(estimate) > 1.96 * information**-0.5).any(axis=1).mean() > 0.25
    assert (np.abs(estimate) > np.array(ever)).any(axis=1).mean() < 0.05
