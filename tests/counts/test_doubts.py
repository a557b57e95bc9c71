"""What an estimate says of itself: groups that fail, intervals hardly checked, what is beyond."""

from dataclasses import replace

import forecast
from forecast.counts import doubts_of, in_all, leads_of

PLAIN = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
COMPLETE = replace(
    PLAIN, age_years=30, origin="professional", area_cm2=50, tattoo_age_years=4, scarring="none",
    smoker="no",
)  # fmt: skip


def test_a_group_whose_intervals_fail_says_so_in_its_own_estimates_only(forecaster):
    assessment = {
        **forecaster.assessment,
        "subgroups": [
            {"factor": "skin", "label": "V-VI", "verdict": "fails", "coverage": 0.6, "n_events": 30}
        ],
    }
    failing = replace(forecaster, assessment=assessment)
    dark = forecast.Enquiry("VI", "shoulder", "black", "medium", "single")
    said = [note for note in failing.estimate(dark).notes if "have not held" in str(note)]
    assert len(said) == 1
    assert "60 %" in str(said[0])
    assert not any("have not held" in str(note) for note in failing.estimate(
        replace(dark, skin_type="II")
    ).notes)  # fmt: skip


def test_a_group_that_needs_more_sessions_than_predicted_is_not_said_to_miss_its_interval(
    forecaster,
):
    row = {"factor": "skin", "label": "V-VI", "verdict": "fails", "coverage": 0.83}
    row |= {"n_events": 40, "observed_to_expected": 0.7}
    failing = replace(forecaster, assessment={**forecaster.assessment, "subgroups": [row]})
    notes = failing.estimate(forecast.Enquiry("VI", "back", "black", "medium", "single")).notes
    assert any("0.70 times as often as predicted" in str(note) for note in notes)
    assert not any("have not held" in str(note) for note in notes)


def test_a_coverage_that_may_be_chance_is_not_given_as_the_reason(forecaster):
    row = {"factor": "skin", "label": "V-VI", "verdict": "fails", "coverage": 0.75}
    row |= {"n_events": 90, "observed_to_expected": 0.7, "coverage_high": 0.83}
    asked = forecast.Enquiry("VI", "back", "black", "medium", "single")
    for high, said in ((0.83, "0.70 times as often"), (0.78, "75 % of such courses fell inside")):
        assessment = {**forecaster.assessment, "subgroups": [{**row, "coverage_high": high}]}
        notes = replace(forecaster, assessment=assessment).estimate(asked).notes
        assert sum(said in str(note) for note in notes) == 1


def test_an_interval_that_is_corrected_is_not_called_the_models_own(forecaster):
    enquiry = forecast.Enquiry("II", "back", "black", "medium", "single")
    assert forecaster.recalibration.n_events < 6000
    notes = forecaster.estimate(enquiry, level=0.999).notes
    assert any("finished courses to check an interval at this level" in str(note) for note in notes)
    assert not any("the model's own" in str(note) for note in notes)
    plain = replace(forecaster, recalibration=None).estimate(enquiry, level=0.8).notes
    assert any("the model's own" in str(note) for note in plain)


def test_a_log_that_widened_an_answer_is_not_said_to_have_narrowed_it(forecaster):
    found = forecaster.estimate(COMPLETE)

    def said(level):
        alone = replace(found.evidence_alone, distribution=found.distribution, level=level)
        notes = doubts_of(forecaster, replace(found, evidence_alone=alone))
        return next(note for note in notes if note.code == "counts.evidence_alone")

    wide = replace(found, distribution=found.distribution, level=0.95)
    before, now = (
        (26 if one.interval[1] is None else one.interval[1]) - one.interval[0]
        for one in (wide, found)
    )
    assert said(0.95).values["percent"] == round(100 * (1 - now / before))
    assert said(0.95).values["narrowed"].code == "counts.narrowed"
    assert said(0.3).values["narrowed"].code == "counts.not_narrowed"


def test_only_what_ends_after_the_courses_were_followed_is_said_to_be_beyond_them(forecaster):
    found = forecaster.estimate(COMPLETE)
    for followed, beyond in ((found.interval[1], False), (found.interval[1] - 1, True)):
        notes = doubts_of(forecaster, replace(found, supported_to=followed))
        assert any(note.code == "counts.beyond_followed" for note in notes) == beyond


def test_what_counts_as_clear_with_an_ink_that_no_laser_takes_up_may_keep_a_rest_of_it(forecaster):
    lasers = (("ns", (1064.0,)),)
    summary = replace(forecaster.log_summary, lasers=lasers)
    black_only = replace(forecaster, log_summary=summary)
    for inks, codes in (
        ("black;white", ["leads.reached", "leads.unreached_clear"]),
        ("white", ["leads.unreached_clear"]),
        ("black", []),
    ):
        asked = replace(PLAIN, inks=inks)
        later = black_only.update(asked, sessions_done=2).remaining
        for found in (black_only.estimate(asked), later):
            said = [note for note in found.leads if "reached" in note.code]
            assert [note.code for note in said] == codes
            assert found.unreached == (() if inks == "black" else ("white",))
    (lead,) = leads_of(replace(found, unreached=("white",), goal="lighten"))
    assert lead.code == "leads.unreached_lighten"


def test_all_sessions_are_those_here_and_those_elsewhere(forecaster):
    def said(elsewhere, language="en"):
        asked = replace(PLAIN, sessions_elsewhere=elsewhere)
        total = forecaster.update(asked, sessions_done=3).total
        return total, in_all(total, 3).say(language)

    total, text = said(0)
    low, high = total.interval
    assert (
        text == f"With 3 sessions done: about {total.median} in all, {low} to {high} for 8 of 10."
    )
    total, text = said(4)
    low, high = total.interval
    of_ten = f"({low} to {high} for 8 of 10)"
    rest = f"{total.median + 4} with those elsewhere."
    assert text == f"With 3 sessions done: about {total.median} here {of_ten}, {rest}"
    assert said(4, "de")[1].endswith(f"{total.median + 4} mit denen anderswo.")
    none = replace(total, distribution=type(total.distribution)(0 * total.distribution.pmf))
    assert str(in_all(none, 3)).endswith(": more than 28 here, more than 32 with those elsewhere.")
