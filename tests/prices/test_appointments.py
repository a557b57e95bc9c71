"""The appointments to come: by hand, by brute force, and what is said of hours and money."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import forecast
from benchmarks.clinics import simulate_clinic
from benchmarks.futures import run_on
from forecast import Package, Tariff
from forecast.errors import RequestError
from forecast.figures import plot_appointments
from forecast.log import OutcomeLog
from forecast.prices import forecast_appointments

from .made import estimate

PACKAGES = (
    Package("per_session", name="pay_per_session"),
    Package("block", name="block_6", sessions=6, price=780, extra_price=140),
)


def tariff(**changes):
    plain = {
        "currency": "EUR", "session_price": 150, "cap": 15, "packages": PACKAGES,
        "minutes_per_session": 30, "staff_per_hour": 60, "room_per_hour": 0, "consumables": 10,
        "device_price": 0, "hours_a_week": 4,
    }  # fmt: skip
    return Tariff(**{**plain, **changes})


class Sure:
    """Everybody needs exactly so many sessions and nobody stops."""

    goal = "clear"

    def __init__(self, needed, horizon=12):
        self.needed, self.horizon = needed, horizon

    def law(self, left):
        pmf = np.zeros((1, self.horizon))
        pmf[:, left - 1] = 1.0
        return pmf

    def update(self, enquiry, *, sessions_done, gradings):
        return SimpleNamespace(remaining=estimate(self.law(self.needed - sessions_done)))

    def estimate_draws(self, enquiries, *, steps=None):
        pmf = np.repeat(self.law(self.needed)[:, None], len(enquiries), axis=1)
        return pmf, np.zeros_like(pmf)


def regular(n_open=1, had=3, package="pay_per_session", **more):
    """Return a log whose visits are exactly four weeks apart; open courses graded to the last."""
    rows, sessions, gradings = [], [], []
    for k in range(40):
        running = k < n_open
        begun = pd.Timestamp("2024-09-10") if running else pd.Timestamp("2023-01-02")
        given = had if running else 4
        name = f"C{k}"
        rows.append({
            "course_id": name, "client_id": f"P{k}", "started_on": begun, "skin_type": "II",
            "body_site": "forearm", "inks": "black", "ink_density": "medium",
            "layering": "single", "sessions_given": given, "package": package,
            "outcome": "ongoing" if running else "cleared", "area_cm2": 50.0, **more,
        })  # fmt: skip
        for no in range(1, given + 1):
            day = begun + pd.Timedelta(days=28 * (no - 1))
            sessions.append({
                "course_id": name, "session_no": no, "treated_on": day, "regime": "ns",
                "wavelengths_nm": "532;1064",
            })  # fmt: skip
        if running:
            seen = {"course_id": name, "after_session": given, "fading_pct": 40.0}
            gradings.append({**seen, "graded_on": day + pd.Timedelta(days=1)})
    tables = (pd.DataFrame(rows), pd.DataFrame(sessions), pd.DataFrame(gradings))
    return OutcomeLog.from_frames(*tables, today=date(2030, 1, 1))


def test_a_regular_course_comes_every_four_weeks_until_it_is_clear():
    load = forecast_appointments(Sure(8), regular(), weeks=26, starts_per_month=0)
    frame = load.to_frame()
    # sessions 4 to 8 fall on 3 and 31 December, 28 January, 25 February and 25 March
    assert frame["month"].tolist()[:3] == ["2024-11-07", "2024-12-01", "2025-01-01"]
    assert frame["from_open_courses"].tolist() == [0, 2, 1, 1, 1, 0, 0]
    assert frame["from_new_courses"].sum() == 0
    assert load.total == (5, 5, 5)


def test_new_courses_come_as_often_as_they_are_said_to():
    log = regular(n_open=1, had=3)
    load = forecast_appointments(Sure(4), log, weeks=52, starts_per_month=10)
    assert load.starts_per_month == pytest.approx(10, rel=0.02)
    # a year of ten a month, four weeks apart: each day's start gives the visits that still fit
    days = np.arange(364) + 0.5
    expected = 10 * 12 / 365.25 * sum(((days + 28 * k) < 364).sum() for k in range(4))
    assert load.from_new.sum() == pytest.approx(expected, rel=0.02)


def test_of_fewer_than_five_courses_the_rate_of_new_ones_cannot_be_said():
    log = regular()
    for n, said in ((4, "prices.starts_few"), (5, "prices.starts_as_before")):
        some = replace(log, courses=log.courses.head(n))
        codes = {note.code for note in forecast_appointments(Sure(4), some, weeks=4).notes}
        assert {one for one in codes if "starts" in one} == {said}
    asked = forecast_appointments(Sure(4), log, weeks=4, starts_per_month=1)
    assert not any("starts" in note.code for note in asked.notes)


def test_hours_and_wavelengths_add_up_and_the_first_month_that_does_not_fit_is_named():
    load = forecast_appointments(
        Sure(8), regular(n_open=30), tariff(), weeks=13, starts_per_month=0
    )
    frame = load.to_frame().set_index("month")
    # 60 half hours in December, against four hours a week
    assert frame.loc["2024-12-01", "minutes"] == pytest.approx(60 * 30)
    both = frame["hours_532_nm"] + frame["hours_1064_nm"]
    assert both.to_numpy() == pytest.approx(frame["minutes"] / 60, abs=0.11)
    assert load.first_too_full() == date(2024, 12, 1)
    assert (
        "4 hours a week are no longer enough in the month that begins 1 Dec 2024" in load.to_text()
    )
    assert load.first_too_full(10) is None


def test_money_follows_what_was_sold():
    block = {"package": "block_6", "price_paid": 780.0, "sessions_prepaid": 6.0}
    load = forecast_appointments(Sure(8), regular(**block), tariff(), weeks=26, starts_per_month=0)
    frame = load.to_frame()
    assert frame["prepaid"].sum() == 3  # sessions 4 to 6
    assert frame["income"].sum() == 2 * 140  # sessions 7 and 8
    assert frame["cost"].sum() == 5 * 40
    alone = forecast_appointments(Sure(8), regular(), tariff(), weeks=26, starts_per_month=0)
    assert alone.to_frame()["income"].sum() == 5 * 150


def test_what_is_owed_is_said_where_something_is():
    half = {"kind": "block", "sessions": 6, "price": 780, "down_payment": 390}
    parts = Package(name="parts", instalments=5, instalment=78, **half)
    rows = regular(package="parts", price_paid=780.0, sessions_prepaid=6.0)
    rules = tariff(packages=(*PACKAGES, parts))
    said = forecast_appointments(Sure(6), rows, rules, weeks=26, starts_per_month=0).to_text()
    assert "of it is owed for what was sold" in said
    alone = forecast_appointments(Sure(8), regular(), tariff(), weeks=26, starts_per_month=0)
    assert "Coming in: 750.00 EUR, tax included (750.00 to 750.00" in alone.to_text()
    assert "owed for" not in alone.to_text()


def test_a_package_that_the_tariff_does_not_know_is_named_and_its_sessions_counted():
    log = regular(n_open=3, package="summer offer")
    load = forecast_appointments(Sure(8), log, tariff(), weeks=26, starts_per_month=0)
    assert load.unknown_packages == {"summer offer": 3}
    assert "3 courses bought “summer offer”" in load.to_text()
    assert load.total[0] == 15
    assert load.to_frame()["income"].sum() == 0


def test_a_client_who_has_been_away_for_too_long_is_not_counted_and_that_is_said():
    log = regular(n_open=2)
    moved = log.courses["course_id"] == "C1"
    courses = log.courses.assign(
        started_on=log.courses["started_on"].where(~moved, pd.Timestamp("2022-01-03"))
    )
    own = log.sessions["course_id"] == "C1"
    earlier = log.sessions["treated_on"] - pd.Timedelta(days=981)
    sessions = log.sessions.assign(treated_on=log.sessions["treated_on"].where(~own, earlier))
    away = replace(log, courses=courses, sessions=sessions)
    load = forecast_appointments(Sure(8), away, weeks=26, starts_per_month=0)
    assert (load.n_open, load.overdue) == (1, 1)
    assert "prices.overdue" in {note.code for note in load.notes}


def test_a_log_without_dated_sessions_is_answered_with_the_usual_gap(invented_log, forecaster):
    bare = replace(invented_log, sessions=invented_log.sessions.iloc[:0])
    load = forecast_appointments(forecaster, bare, weeks=26)
    assert load.notes[0].code == "prices.visits_usual_gap"
    dated = forecast_appointments(forecaster, invented_log, weeks=26)
    assert load.total[0] == pytest.approx(dated.total[0], rel=0.2)


@pytest.mark.slow
def test_brute_force_from_the_courses_own_state_lies_inside_the_bands(forecaster):
    clinic = simulate_clinic(300, seed=11)  # that of the fitted log
    futures = run_on(clinic, futures=100, seed=3)
    further = (futures.held - futures.after[:, None]).sum(axis=0)
    load = forecast_appointments(forecaster, clinic.log, weeks=156, starts_per_month=0)
    mean, low, high = load.total
    # ongoing courses end at their next visit at the earliest; some visits come after three years
    assert low < further.mean() < high, f"{further.mean()} and {mean} ({low} to {high})"


@pytest.mark.slow
@pytest.mark.parametrize("mechanism", ["noisy", "waning", "leaving"])
def test_whatever_the_mechanism_the_open_courses_sessions_lie_inside_the_band(mechanism):
    clinic = simulate_clinic(400, seed=17, mechanism=mechanism)
    futures = run_on(clinic, futures=100, seed=3)
    further = (futures.held - futures.after[:, None]).sum(axis=0).mean()
    fitted = forecast.fit_forecaster(clinic.log, seed=1)
    mean, low, high = forecast_appointments(fitted, clinic.log, weeks=156, starts_per_month=0).total
    assert low < further < high, f"{further} and {mean} ({low} to {high})"


def test_the_same_seed_gives_the_same_numbers_and_bands_widen_with_time(forecaster, invented_log):
    one, two = (forecast_appointments(forecaster, invented_log, seed=4) for _ in range(2))
    pd.testing.assert_frame_equal(one.to_frame(), two.to_frame())
    frame = one.to_frame()
    width = (frame["high"] - frame["low"]).to_numpy()
    assert width[-4:-1].mean() > width[1:4].mean()
    assert frame["sessions"].sum() == pytest.approx(one.total[0], abs=1)


def test_the_figure_shows_open_and_new_and_the_band(forecaster, invented_log):
    load = forecast_appointments(forecaster, invented_log, weeks=26)
    figure = plot_appointments(load)
    frame = load.to_frame()
    assert list(figure.data[0].y) == frame["from_open_courses"].tolist()
    assert list(figure.data[1].y) == frame["from_new_courses"].tolist()
    assert figure.layout.yaxis.title.text == "appointments"
    low = np.asarray(figure.data[2].y) - np.asarray(figure.data[2].error_y.arrayminus)
    assert low == pytest.approx(frame["low"])


def test_the_calendar_file_has_an_event_a_month_and_no_client(forecaster, invented_log):
    load = forecast_appointments(forecaster, invented_log, weeks=26)
    text = load.to_calendar()
    assert "SUMMARY:About " in text
    assert "SUMMARY:Etwa " in load.to_calendar(language="de")
    assert "About" not in load.to_calendar(language="de")
    assert text.count("BEGIN:VEVENT") == len(load.days)
    assert "P0001" not in text
    assert "C0001" not in text


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"weeks": 0}, "weeks is 0"),
        ({"weeks": 200}, "weeks is 200"),
        ({"starts_per_month": -1}, "starts_per_month is -1"),
    ],
)
def test_requests_that_make_no_sense_are_refused(forecaster, invented_log, options, says):
    with pytest.raises(RequestError, match=says):
        forecast_appointments(forecaster, invented_log, **options)


def test_another_laser_adds_hours_reaches_inks_and_has_its_cost():
    log = regular(n_open=30)
    lasers = pd.DataFrame({"laser_id": ["yag"], "regime": ["ns"], "wavelengths_nm": ["532;1064"]})
    green = log.courses.assign(inks=["black;green"] * 10 + ["black"] * 30)
    further = {
        "hours_a_week": 6, "wavelengths_nm": [755], "price": 70_000, "resale": 7_000,
        "life_years": 7,
    }  # fmt: skip
    load = forecast_appointments(
        Sure(8), replace(log, lasers=lasers, courses=green), tariff(another_laser=further),
        weeks=13, starts_per_month=0,
    )  # fmt: skip
    assert load.another_laser == {"hours": 6, "cost": 9000, "reaches": 0.25}
    assert (
        "With another laser, 10 hours a week, the first month that no longer fits begins: none"
        in load.to_text()
    )


def test_it_is_on_the_public_face():
    assert forecast.forecast_appointments is forecast_appointments
