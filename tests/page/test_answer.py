"""The page says what the forecaster says, in natural frequencies and with every doubt."""

import re
from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import forecast
from forecast._notes import Note
from forecast.counts import in_all
from forecast.page.answer import answer, date_lines, range_line, range_text
from forecast.page.desk import Asked, Desk
from forecast.page.sheet import render_parts, render_sheet
from forecast.page.words import load_words
from forecast.survival import CountDistribution
from tests.daybook.conftest import promised

DIGITS = ("low_digits", "high_digits")
ENGLISH = load_words("en")
TARIFF = forecast.Tariff(currency="EUR", session_price=150, cap=15, cost_per_session=60)
COMMON = forecast.Enquiry("V", "forearm", "black;red", "medium", "single")
EASY = forecast.Enquiry("I", "face", "black", "light", "single", origin="amateur")
HARD = forecast.Enquiry("VI", "foot", "white;green;yellow", "heavy", "layered", smoker="yes")


def told(desk: Desk, asked: Asked, language: str = "en") -> Any:
    found = answer(desk, asked, load_words(language))
    assert found is not None
    return found


def named(rows: Any, start: str) -> Any:
    return next(row for row in rows if row.name.startswith(start))


def numbers(text: str) -> list[int]:
    return [int(part) for part in re.findall(r"\d+", text)]


def test_the_headline_and_the_lines_hold_the_estimate(desk: Desk):
    estimate = desk.forecasters["clear"].estimate(COMMON)
    found = told(desk, Asked(COMMON))
    assert numbers(found.headline) == [estimate.median]
    assert numbers(found.lines[0]) == [8, 10, *estimate.interval]
    count = round(100 * estimate.not_within_horizon)
    assert numbers(found.lines[1]) == [count or 1, 100, estimate.horizon]


def test_what_the_log_says_of_pulses_is_told_to_the_practitioner_only(desk: Desk):
    ends = Note("regimes.from_fewer", values={"low": 1.2, "high": 0.8} | dict.fromkeys(DIGITS, 1))
    span = Note("regimes.desk_drawn", values={"span": ends, "replicates": 100})
    verdict = Note("regimes.desk_unclear", values={"span": span, "horizon": 12})
    knowing = replace(desk.forecasters["clear"], regime_verdict=verdict)
    found = told(replace(desk, forecasters={"clear": knowing}), Asked(COMMON))
    line = (
        "Faster pulses: our own courses cannot say yet (1.2 fewer to 0.8 more, from 100 resamples, "
        "to session 12)."
    )
    assert found.verdict == ((line, True),)
    assert not any("Faster pulses" in text for text, _ in found.notes)  # as on the client's sheet
    german = told(replace(desk, forecasters={"clear": knowing}), Asked(COMMON), "de").verdict[0][0]
    assert "(1,2 weniger bis 0,8 mehr, aus 100 Ziehungen, bis Sitzung 12)" in german
    parts = render_parts(found, ENGLISH)
    assert line in str(parts)


def test_an_estimate_beyond_the_horizon_reads_more_than_it(desk: Desk):
    estimate = desk.forecasters["clear"].estimate(HARD)
    assert estimate.interval[1] is None
    found = told(desk, Asked(HARD))
    assert "more than 25" in found.lines[0] + found.headline.lower()
    costs = "€2,250.00 for 15, more than €3,750.00 for more than 25 sessions."
    assert costs in found.price_range
    assert found.options[0].cost == "more than €3,750.00 one by one; at most 15 are given"
    assert "more than 25 sessions from then on" in " ".join(found.dates)


def test_cleared_and_not_cleared_add_up_to_100_for_every_session(desk: Desk):
    found = told(desk, Asked(COMMON))
    estimate = desk.forecasters["clear"].estimate(COMMON)
    assert len(found.steps) == estimate.horizon
    for n, (filled, text, label) in enumerate(found.steps, 1):
        assert abs(filled - 100 * estimate.chance_by(n)) <= 1
        assert f"By session {n}:" in text
        assert label.startswith(f"{filled} of 100")
        if "fewer" not in text and "more" not in text:
            done, left = (int(part) for part in re.findall(r"(\d+) of 100", text))
            assert done + left == 100


def test_no_share_is_rounded_to_nobody_or_to_everybody():
    assert ENGLISH.of_100(0.001) == "fewer than 1"
    assert ENGLISH.of_100(0.999) == "more than 99"
    assert ENGLISH.of_100(0.0) == "fewer than 1"
    # a sum of chances that rounds to one, or a little above
    assert ENGLISH.of_100(1.0) == ENGLISH.of_100(1 + 1e-12) == "more than 99"
    assert ENGLISH.of_100(0.62) == "62"


def test_dates_are_the_months_of_the_estimates_calendar(desk: Desk):
    start = date(2026, 3, 2)
    found = told(desk, Asked(COMMON, start=start, spacing_weeks=6))
    days = desk.forecasters["clear"].estimate(COMMON).calendar(6, start)
    assert ENGLISH.day(start) in found.dates[0]
    for text, day in zip(found.dates[1:], (days["median"], days["high"]), strict=True):
        assert day is not None
        # years ahead, a day would be more than anyone knows
        assert f"{day:%B %Y}" in text
        assert f"{day.day} {day:%B}" not in text


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", ["need 1.", "about 1 in all, 1 for 8 of 10", "8 of 10: March 2026"]),
        ("de", ["brauchen 1.", "etwa 1 insgesamt, 1 bei 8 von 10", "8 von 10: März 2026"]),
    ],
)
def test_an_interval_of_one_number_is_said_as_that_number(
    desk: Desk, language: str, said: list[str]
):
    estimate = desk.forecasters["clear"].estimate(COMMON)
    pmf = np.eye(1, estimate.horizon)
    sure = replace(estimate, distribution=CountDistribution(pmf))
    words = load_words(language)
    asked = Asked(COMMON, start=date(2026, 3, 2))
    found = [range_line(sure, "", words), words.note(in_all(sure, 0))[0]]
    found.append(date_lines(sure, asked, "clear", words)[-1])
    for line, expected in zip(found, said, strict=True):
        assert expected in line
        assert "1 to 1" not in line


@pytest.mark.parametrize(
    ("language", "here", "usual", "number"),
    [
        ("en", "much sooner than here", "than is usual, about 8 weeks", "8.5"),
        ("de", "viel früher als hier", "als üblich, etwa 8 Wochen", "8,5"),
    ],
)
def test_sessions_much_closer_together_than_the_logs_are_cautioned_against(
    desk: Desk, language: str, here: str, usual: str, number: str
):
    def first(gap: float | None, weeks: float, **more: Any) -> str:
        summary = replace(desk.forecasters["clear"].log_summary, gap_weeks=gap)
        model = replace(desk.forecasters["clear"], log_summary=summary)
        return str(told(Desk({"clear": model}), Asked(COMMON, spacing_weeks=weeks, **more),
                        language).dates[0])  # fmt: skip

    assert here in first(8.5, 1)
    assert number in first(8.5, 1)
    assert usual in first(None, 1)
    for gap, weeks in ((8.5, 5), (None, 4), (3, 2)):
        assert load_words(language).say("answer.dates_start") in first(gap, weeks)
    days = {"start": date(2031, 3, 5), "last": date(2031, 3, 4), "sessions_done": 1}
    assert here in first(8.5, 8, **days)  # the day after the last one, whatever follows


@pytest.mark.parametrize("language", ["en", "de"])
def test_questions_that_were_not_asked_are_told_with_the_answer(desk: Desk, language: str):
    words = load_words(language)
    part = frozenset({"recent_tan"})
    cases = [(Asked(COMMON), "sheet.not_asked"), (Asked(COMMON, facts=part), "sheet.asked_in_part")]
    for asked, key in [*cases, (Asked(COMMON, questions_asked=True), "")]:
        headline = render_parts(told(desk, asked, language), words)["headline"]
        for one in ("sheet.not_asked", "sheet.asked_in_part"):
            assert (words.say(one) in headline) == (one == key)


@pytest.mark.parametrize("language", ["en", "de"])
def test_no_date_of_the_answer_is_written_for_a_machine(desk: Desk, language: str):
    found = told(desk, Asked(COMMON), language)
    said = " ".join([found.model, *(text for text, _ in found.notes), *found.dates])
    assert re.search(r"\b20\d\d\b", said)
    assert not re.search(r"\d{4}-\d\d-\d\d", said)
    last = date.fromisoformat(desk.forecasters["clear"].log_summary.last_start)
    words = load_words(language)
    assert words.month(last) in found.model
    assert words.day(last) not in found.model


def test_a_course_under_way_says_what_is_left_and_the_total(desk: Desk):
    gradings = ((0, 0.0), (2, 25.0), (4, 45.0))
    later = desk.forecasters["clear"].update(COMMON, sessions_done=4, gradings=gradings)
    found = told(desk, Asked(COMMON, sessions_done=4, gradings=gradings))
    assert numbers(found.headline) == [later.remaining.median]
    assert "more session" in found.headline
    assert numbers(found.lines[0])[:4] == [4, later.total.median, *later.total.interval]
    assert numbers(found.lines[1])[2:] == list(later.remaining.interval)
    assert found.lines[1].endswith(" more.")  # beside the total, the number alone could be either


def test_a_total_beyond_the_horizon_is_said_once(desk: Desk):
    slow = Asked(HARD, sessions_done=12, gradings=((12, 1.0),))
    assert told(desk, slow).lines[0] == "With 12 sessions done: more than 37 in all."


@pytest.mark.parametrize(
    ("language", "here", "elsewhere"),
    [("en", "here", "with those elsewhere"), ("de", "hier", "mit denen anderswo")],
)
def test_a_total_names_the_sessions_had_elsewhere(
    desk: Desk, language: str, here: str, elsewhere: str
):
    begun = replace(COMMON, sessions_elsewhere=6)
    total = desk.forecasters["clear"].update(begun, sessions_done=5).total
    said = told(desk, Asked(begun, sessions_done=5), language).lines[0]
    assert f" {total.median} {here} (" in said
    assert said.endswith(f", {total.median + 6} {elsewhere}.")


def test_paying_one_by_one_costs_what_it_takes_and_the_cap_is_named_where_it_bounds(desk: Desk):
    assert desk.tariff is not None
    estimate = desk.forecasters["clear"].estimate(COMMON)
    low, high = estimate.interval
    assert low is not None
    assert high is not None
    session = desk.tariff.session_price
    within = replace(desk, tariff=replace(desk.tariff, cap=25))
    for n in (low, high):
        cost = ENGLISH.money(n * session, "EUR")
        assert f"{cost} for {n}" in told(within, Asked(COMMON)).price_range
    below = replace(desk, tariff=replace(desk.tariff, cap=high - 1))
    capped = told(below, Asked(COMMON)).price_range
    for n in (high - 1, high):
        assert f"{ENGLISH.money(n * session, 'EUR')} for {n}" in capped
    assert f"At most {high - 1} sessions are given" in capped
    assert "At most" not in told(within, Asked(COMMON)).price_range


def test_prices_are_the_quotes_and_show_no_cost_or_margin(desk: Desk):
    assert desk.tariff is not None
    estimate = desk.forecasters["clear"].estimate(COMMON)
    found = told(desk, Asked(COMMON))
    for package, row in zip(desk.tariff.packages, found.prices, strict=True):
        quote = forecast.price_package(estimate, package, desk.tariff)
        assert row.price == ENGLISH.money(quote.price, "EUR")
        assert row.average == ENGLISH.money(quote.expected_bill, "EUR")
        shown = " ".join((row.price, row.unit, row.average, row.enough))
        assert ENGLISH.money(quote.expected_margin, "EUR") not in shown


def test_without_a_tariff_there_is_no_price(desk: Desk):
    found = told(Desk(desk.forecasters), Asked(COMMON))
    assert (found.prices, found.price_range) == ((), "")


def test_a_package_that_cannot_be_priced_says_why_and_leaves_the_rest(desk: Desk):
    assert desk.tariff is not None
    far = replace(desk.tariff, packages=(forecast.Package("fixed", cap=60),))
    found = told(Desk(desk.forecasters, far), Asked(COMMON))
    assert found.headline
    assert any("cannot be priced" in text for text in found.price_notes)
    (said,) = told(Desk(desk.forecasters, far), Asked(COMMON), "de").price_notes
    assert not {"is", "the", "at", "most", "Give"} & set(said.split())


def test_a_fixed_price_names_its_cap_and_says_where_it_is_not_enough_for_most(desk: Desk):
    row = named(told(desk, Asked(HARD)).prices, "fixed price")
    assert row.unit == "in all, for at most 15 sessions"
    assert row.enough.endswith("most need more: no offer")
    easy = named(told(desk, Asked(EASY)).prices, "fixed price")
    assert "most need more" not in easy.enough


def test_a_block_says_what_each_session_after_it_costs(desk: Desk):
    row = named(told(desk, Asked(COMMON)).prices, "block of six")
    assert f"{row.price} {row.unit}" == "€780.00 for 6 sessions, then €140.00 each"


def test_mid_course_a_reduced_price_goes_on_and_a_cap_counts_what_was_had(desk: Desk):
    rows = told(desk, Asked(COMMON, sessions_done=6)).prices
    reduced = named(rows, "reduced")
    assert f"{reduced.price} {reduced.unit}" == "€150.00 each of the next 2, then €75.00"
    assert named(rows, "fixed price").unit == "in all, for at most 9 more sessions"
    rows = told(desk, Asked(COMMON, sessions_done=8)).prices
    assert f"{named(rows, 'reduced').price} {named(rows, 'reduced').unit}" == "€75.00 a session"


def test_mid_course_a_package_that_no_longer_fits_is_left_out_with_the_reason(desk: Desk):
    found = told(desk, Asked(COMMON, sessions_done=10))
    assert not any("block" in row.name for row in found.prices)
    assert any(
        text.startswith("block of six: no longer offered, as a new") for text in found.price_notes
    )


@pytest.mark.parametrize(
    ("language", "agreement", "entry"),
    [("en", "a new agreement", "The entry cap of"), ("de", "neuer Vereinbarung", "Eintrag cap")],
)
def test_once_the_cap_is_reached_it_is_named_with_a_way_on_and_nothing_is_left_hanging(
    desk: Desk, language: str, agreement: str, entry: str
):
    words = load_words(language)
    over = told(desk, Asked(COMMON, sessions_done=15), language)
    assert (over.prices, over.dates) == ((), ())
    assert agreement in over.price_range
    assert agreement in over.options[0].cost
    (note,) = over.price_notes
    assert entry in note
    orphans = (words.say(f"answer.{key}") for key in ("price_from_now", "price_average_hint"))
    pages = (render_parts(over, words)["details"], render_sheet(over, desk, words, standalone=True))
    told_before = told(desk, Asked(COMMON, sessions_done=4), language)
    sold = (
        render_parts(told_before, words)["details"],
        render_sheet(told_before, desk, words, standalone=True),
    )
    for text in (*orphans, f">{words.say('answer.dates')}<"):
        assert all(text in page for page in sold)
        assert not any(text in page for page in pages)


def test_past_courses_are_said_to_be_alike_in_no_more_than_they_are(desk: Desk):
    found = told(desk, Asked(COMMON)).similar
    assert "medium density, a single layer" in found
    assert "alike in this alone, not in skin type, body site" in found


def test_where_the_log_ends_is_said_beneath_the_curve_not_across_it(desk: Desk):
    found = told(desk, Asked(COMMON))
    short = replace(found, estimate=replace(found.estimate, supported_to=9))
    picture = render_parts(short, ENGLISH)["picture"]
    drawn = re.findall(r'<svg class="curve".*?</svg>', picture, re.DOTALL)[0]
    assert 'class="limit"' in drawn
    assert "dotted line" not in drawn
    assert "dotted line" in picture


def test_sources_are_for_the_practitioner_and_stand_apart(desk: Desk):
    found = told(desk, Asked(HARD, facts=frozenset({"infection"})))
    assert "; ANSI-Z136.3, from memory" in found.sources
    german = answer(desk, Asked(HARD, facts=frozenset({"minor", "gold_salts"})), load_words("de"))
    assert german is not None
    assert "Übersichtsarbeiten, nicht nachgelesen" in german.sources
    assert "in der Praxis üblich, ohne Quelle" in german.sources
    assert not any("Z136" in row.client or "from memory" in row.client for row in found.cautions)


def test_what_drives_it_is_what_the_drivers_say(desk: Desk):
    expected = desk.forecasters["clear"].drivers(COMMON)
    found = told(desk, Asked(COMMON))
    assert [float(row.difference.replace("−", "-")) for row in found.drivers] == pytest.approx(
        [one.difference for one in expected if not one.small], abs=0.051
    )


@pytest.mark.parametrize(("language", "says"), [("en", "Gradings, the"), ("de", "Beurteilungen, ")])
def test_mid_course_the_gradings_are_what_drives_it_first(desk: Desk, language: str, says: str):
    graded = Asked(COMMON, sessions_done=4, gradings=((2, 12.0), (4, 22.0)))
    assert told(desk, graded, language).drivers[0].text.startswith(says)


@pytest.mark.parametrize("language", ["en", "de"])
def test_what_lasers_reach_and_other_ways_out_stand_beside_the_number(
    full_desk: Desk, language: str
):
    mixed = forecast.Enquiry("VI", "foot", "black;white", "heavy", "layered")
    found = told(full_desk, Asked(mixed), language)
    estimate = full_desk.forecasters["clear"].estimate(
        mixed, lighten=full_desk.forecasters["lighten"]
    )
    codes = [note.code for note in estimate.leads]
    assert codes[:2] == ["leads.reached", "leads.unreached_clear"]
    rest = load_words(language).say(
        "options.rest", {"inks": "white" if language == "en" else "weiß"}
    )
    assert rest in found.options[0].sessions
    assert rest not in found.options[1].sessions
    assert codes[-2:] == ["leads.instead", "leads.way_out_clear"]
    assert len(found.leads) == len(codes)
    assert numbers(found.leads[-2])[0] == (estimate.instead.median or estimate.instead.horizon)
    shown = render_parts(found, load_words(language))["headline"]
    assert all(text in shown for text in found.leads)


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_count_to_lightening_that_was_not_checked_says_so_where_it_can_be_chosen(
    full_desk: Desk, language: str
):
    doubt = Note("counts.lightening_none_reached", "serious", {"source": ""})
    rough = replace(full_desk.forecasters["lighten"], notes=(doubt,))
    said = []
    for lighter in (full_desk.forecasters["lighten"], rough):
        found = told(Desk(full_desk.forecasters | {"lighten": lighter}), Asked(COMMON), language)
        said.append({one.key: one.sessions for one in found.options}["lighten"])
    assert said[1] == f"{said[0]}; {load_words(language).say('options.unchecked')}"


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_page_has_neither_dates_nor_prices_while_a_referral_is_open(desk: Desk, language: str):
    words = load_words(language)
    first = {"pregnancy": "wait", "minor": "law", "near_eye": "shields", "granuloma": "doctor"}
    plain = render_parts(told(desk, Asked(COMMON), language), words)["details"]
    assert "€" in plain
    for fact, waits_for in first.items():
        found = told(desk, Asked(COMMON, facts=frozenset({fact})), language)
        parts = render_parts(found, words)
        assert "€" not in parts["details"]
        assert words.say("answer.dates_start") not in parts["details"]
        assert words.say("answer.withheld") in parts["details"]
        assert words.say(f"answer.refer_{waits_for}") in parts["headline"]


@pytest.mark.parametrize("language", ["en", "de"])
def test_what_drives_a_count_beyond_the_horizon_is_told_of_100_and_by_when(
    desk: Desk, language: str
):
    expected = desk.forecasters["clear"].drivers(HARD)
    found = told(desk, Asked(HARD), language)
    words = load_words(language)
    for row, one in zip(found.drivers, expected, strict=False):
        assert one.chances is not None
        own, other = map(words.of_100, one.chances)
        instead = f"{own} instead of {other} of 100: ", f"{own} statt {other} von 100: "
        less = round(100 * one.chances[0]) - round(100 * one.chances[1])  # of what is read there
        assert row.difference == instead[language == "de"] + words.whole(less)
    assert {25, 100} <= set(numbers(found.drivers_hint))
    assert not {25, 100} & set(numbers(told(desk, Asked(COMMON), language).drivers_hint))


def test_every_note_of_the_estimate_is_shown(desk: Desk):
    estimate = desk.forecasters["clear"].estimate(HARD)
    found = told(desk, Asked(HARD))
    shown = [text for text, _ in found.notes]
    for note in estimate.notes:
        assert ENGLISH.note(note)[0] in shown or note.code == "counts.evidence_alone"


def test_what_was_answered_with_yes_brings_its_caution_first(desk: Desk):
    found = told(desk, Asked(COMMON, facts=frozenset({"infection", "keloid_history"})))
    assert found.cautions[0].kind == "refer"
    assert "Infected" in found.cautions[0].text
    assert any("keloid" in row.text for row in found.cautions)


@pytest.mark.parametrize(("ends", "tell"), [((2, 25), False), ((2, 3), True)])
def test_a_client_is_told_of_a_promise_only_once_it_no_longer_stands(
    desk: Desk, ends: tuple[int, int], tell: bool
):
    first = promised(low=ends[0], high=ends[1], chances=(0.0,) * 25)
    still = {"check_running": lambda: None, "graded": (), "facts": frozenset(), "last_day": None}
    course = SimpleNamespace(promises=(first,), done=2, next_day=lambda *_: None, **still)
    book = SimpleNamespace(course=lambda code: course, today=date.today)
    found = told(replace(desk, daybook=book), Asked(COMMON, sessions_done=2, course="k1-1"))
    assert f"{ends[0]} to {ends[1]}" in found.promised
    assert found.tell == tell


def test_a_goal_without_a_model_is_not_answered(desk: Desk):
    assert answer(desk, Asked(COMMON, goal="lighten"), ENGLISH) is None


def test_each_goal_has_its_own_model_and_words(full_desk: Desk):
    lighter = told(full_desk, Asked(COMMON, goal="lighten"))
    expected = full_desk.forecasters["lighten"].estimate(COMMON)
    assert lighter.estimate.to_dict() == expected.to_dict()
    assert "light enough" in lighter.lines[-1]
    assert "promise" in lighter.meaning


def test_what_the_evidence_alone_says_is_told_and_how_far_the_log_narrowed_it(desk: Desk):
    estimate = desk.forecasters["clear"].estimate(COMMON)
    alone = estimate.evidence_alone
    assert alone is not None
    ends = [n or 25 for one in (alone, estimate) for n in (one.median, *one.interval)]
    narrower = 1 - (ends[5] - ends[4]) / (ends[2] - ends[1])
    assert numbers(told(desk, Asked(COMMON)).own_share) == [*ends, round(100 * narrower)]


def test_nothing_that_is_said_promises_complete_removal(desk: Desk):
    found = told(desk, Asked(COMMON))
    shown = " ".join((found.headline, *found.lines, found.meaning)).lower()
    assert "nobody can promise" in shown
    assert "guarantee" not in shown


def test_paying_one_by_one_says_each_count_once():
    asked = SimpleNamespace(area_cm2=None)
    estimate = SimpleNamespace(interval=(4, 9), median=4, horizon=25, enquiry=asked)
    said = range_text(estimate, TARIFF, "clear", ENGLISH)
    assert said == "Paid one by one until clear: €600.00 for 4, €1,350.00 for 9 sessions."


def test_what_is_left_of_the_cap_is_said_to_be_enough_for_so_many():
    ends = {"interval": (4, None), "median": 9, "horizon": 25, "chance_by": {6: 0.4, 3: 0.1}.get}
    estimate = SimpleNamespace(enquiry=SimpleNamespace(area_cm2=None), **ends)
    said = range_text(estimate, TARIFF, "clear", ENGLISH, done=9)
    costs = "€600.00 for 4, €900.00 for 6, €1,350.00 for 9, more than €3,750.00 for more than 25"
    assert said.startswith(f"Paid one by one until clear: {costs} sessions. At most 15 sessions")
    assert said.endswith(
        "in one course, 6 of them from now on: enough for 40 of 100 clients like this."
    )
    late = range_text(estimate, TARIFF, "clear", ENGLISH, done=12)
    assert "€450.00 for 3, €600.00 for 4, " in late
    assert "enough for 10 of 100" in late
    german = range_text(estimate, TARIFF, "entfernt", load_words("de"), done=9)
    assert "genug für 40 von 100" in german
    assert "mehr als 3.750,00\xa0€ für mehr als 25" in german


def test_mid_course_a_block_does_not_count_the_sessions_had():
    assert "except towards a block" in ENGLISH.say("answer.price_from_now")
    assert "nicht bei einem Block" in load_words("de").say("answer.price_from_now")


def test_what_ends_beyond_horizon_and_cap_costs_more_than_the_horizon():
    ends = {"interval": (4, None), "median": 9, "horizon": 10}
    estimate = SimpleNamespace(enquiry=SimpleNamespace(area_cm2=None), **ends)
    said = range_text(estimate, TARIFF, "clear", ENGLISH)
    assert said.endswith(" €1,350.00 for 9, more than €1,500.00 for more than 10 sessions.")


def test_what_can_be_chosen_costs_what_it_takes_and_names_the_cap_that_bounds_it(desk: Desk):
    found = answer(desk, Asked(COMMON), ENGLISH)
    assert found is not None
    assert desk.tariff is not None
    low, high = found.estimate.interval
    assert low is not None
    each, cap = desk.tariff.single_price(None), desk.tariff.cap
    assert high is not None
    assert high > cap
    least, most = (ENGLISH.money(n * each, "EUR") for n in (low, high))
    cost = f"{least} to {most} one by one"
    assert found.options[0].cost == f"{cost}; at most {cap} are given"
    wide = replace(desk, tariff=replace(desk.tariff, cap=high))
    assert told(wide, Asked(COMMON)).options[0].cost == cost
