"""Tariffs and packages: what a file may say, and what is refused."""

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from forecast._notes import languages
from forecast.errors import DataError, ForecastError, RequestError
from forecast.prices.package import Package, from_cents
from forecast.prices.quote import price_package
from forecast.prices.tariff import (
    Tariff,
    left_of,
    no_longer_sold,
    read_tariff,
    tariff_template,
)

from .made import estimate


def parts(**changes):
    plain = {
        "currency": "EUR",
        "session_price": "150.00",
        "cap": 12,
        "minutes_per_session": 20,
        "minutes_per_100_cm2": 15,
        "staff_per_hour": "45.00",
        "room_per_hour": "15.00",
        "consumables": "6.50",
        "device_price": "90000",
        "device_life_years": 6,
        "device_sessions_per_year": 1000,
    }
    return Tariff(**{**plain, **changes})


@pytest.fixture
def written(tmp_path):
    def write(text):
        path = tmp_path / "tariff.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_a_session_costs_the_sum_of_its_parts():
    # 27.5 minutes at 60 an hour, 6.50 consumables, 90,000 over 6,000 sessions
    assert parts().session_costs([50, 0]).tolist() == [4900, 4150]  # cents
    assert (parts().session_cost(), parts().session_cost(0)) == (Decimal("49.00"), Decimal("41.50"))


def test_the_device_can_be_spread_over_pulses():
    by_pulse = parts(
        device_life_pulses=9_000_000, pulses_per_session=100, pulses_per_cm2=20,
        device_life_years=None, device_sessions_per_year=None,
    )  # fmt: skip
    # 1,100 pulses of a hundredth of 1.00 each
    assert by_pulse.session_costs(50) == 2750 + 650 + 1100


def test_service_by_the_year_is_shared_by_the_sessions():
    assert parts(device_service_per_year=2000).session_costs(50) == 5100


def test_costs_are_rounded_once_and_exact_halves_go_up():
    areas = np.round(np.arange(0, 400, 0.7), 1)
    # 35 a session for time, device and room, 6.455 consumables, 15 minutes more for 100 cm²
    exact = [Decimal("41.455") + Decimal(str(area)) * 15 / 100 for area in areas.tolist()]
    costs = parts(consumables="6.455").session_costs(areas)
    assert [from_cents(cents) for cents in costs] == [from_cents(100 * one) for one in exact]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"consumables": "-1"}, "consumables is -1, which is negative"),
        ({"consumables": None}, "lacks consumables"),
        ({"device_life_years": 0}, "takes device_life_years above 0"),
        ({"device_sessions_per_year": None}, "above 0, or cost_per_session, or 0 for what the"),
        ({"cap": 0}, "cap is 0"),
        ({"cap": 2.5}, "cap is 2.5"),
        ({"session_price": "150.005"}, "fraction of a cent"),
        ({"session_price": "150 USD"}, "tariff is in EUR"),
        ({"session_price": "many"}, "not an amount of money"),
        ({"session_price": "NaN"}, "not an amount of money"),
        ({"tax_rate": Decimal("NaN")}, "tax_rate is NaN"),
        ({"session_price": True}, "not an amount of money"),
        ({"tax_rate": 20}, "tax_rate is 20"),
        ({"target_margin": 1.0}, "target_margin"),
        ({"largest_chance_of_loss": -0.1}, "largest_chance_of_loss is -0.1"),
        ({"device_sessions_per_year": None}, "device_sessions_per_year"),
        ({"currency": "Euros"}, "three-letter code"),
    ],
)
def test_a_tariff_that_cannot_be_priced_is_refused(changes, words):
    with pytest.raises(RequestError, match=words):
        parts(**changes)


BY_AREA = [{"up_to_cm2": 25, "price": 90}, {"up_to_cm2": 75, "price": 130}, {"price": 180}]


def test_a_session_s_price_goes_by_area_and_an_end_belongs_to_its_band():
    rules = parts(session_price=None, session_prices=BY_AREA)
    found = rules.price_of(Package("per_session"), [1.0, 25.0, 25.1, 75.0, 400.0])
    assert found.tolist() == [9000, 9000, 13000, 13000, 18000]
    assert rules.session_price == 130  # of the typical area
    whole = Package("fixed", prices=[{"up_to_cm2": 50, "price": 900}, {"price": 1500}])
    assert rules.price_of(whole, [50.0, 51.0]).tolist() == [90000, 150000]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"session_prices": BY_AREA}, "both given"),
        ({"session_price": None}, "both missing"),
        ({"session_price": None, "session_prices": BY_AREA[:2]}, "leaves areas without a price"),
        ({"session_price": None, "session_prices": BY_AREA[::-1]}, "leaves areas without"),
        (
            {"session_price": None, "session_prices": [BY_AREA[1], *BY_AREA]},
            "bands of session_prices overlap",
        ),
        ({"session_price": None, "session_prices": [{"prize": 3}]}, "Give up_to_cm2 and price"),
        ({"hours_a_week": -5}, "hours_a_week is -5"),
        ({"fixed_costs": {"rent": "-1"}}, "fixed_costs.rent is -1, which is negative"),
        ({"fixed_costs": {"lease": 9000}}, "Count the device once"),
        ({"another_laser": {"hours": 5}}, "unknown key 'hours'"),
        ({"no_show_rate": 1}, "no_show_rate is 1"),
    ],
)
def test_bands_hours_and_yearly_costs_that_make_no_sense_are_refused(changes, words):
    with pytest.raises(RequestError, match=words):
        parts(**changes)


def test_missed_appointments_cost_their_time_and_bring_their_fee():
    # a fifth of those booked are missed: a quarter of a slot for each session held
    plain = {"minutes_per_session": 30, "minutes_per_100_cm2": 0, "staff_per_hour": 60,
             "room_per_hour": 0, "consumables": 10, "device_price": 0,
             "device_service_per_year": 0}  # fmt: skip
    missed = parts(**plain, no_show_rate=0.2, no_show_fee=12, tax_rate=0.2)
    assert parts(**plain).session_costs(np.nan) == 4000
    assert missed.session_costs(np.nan) == 4500  # 7.50 more, less a quarter of 10 net
    assert missed.minutes(40.0).tolist() == [37.5]


def test_a_file_with_the_rules_of_a_clinic_is_read(tmp_path):
    path = tmp_path / "tariff.toml"
    bands = "session_prices = [{up_to_cm2 = 25, price = 90.00}, {price = 150.00}]"
    text = tariff_template().replace(
        next(line for line in tariff_template().splitlines() if line.startswith("session_price")),
        bands,
    )
    rules = "fixed_costs = {rent = 12000.00, staff = 30000.00}"
    path.write_text(text.replace("[[packages]]", f"{rules}\n\n[[packages]]", 1), encoding="utf-8")
    found = read_tariff(path)
    assert found.single_price(20) == 90
    assert sum(found.fixed_costs.values()) == 42_000
    assert found.yearly_costs == 42_000 + (Decimal(90_000) / 7 + 6000).quantize(Decimal("0.01"))


def test_a_package_in_another_currency_is_refused():
    with pytest.raises(RequestError, match=r"in USD, not in EUR"):
        parts(packages=(Package("fixed", price="900 USD"),))
    assert parts(packages=(Package("fixed", price="900 eur"),)).packages[0].price == 900


def test_the_old_word_for_a_fixed_price_is_read_and_never_written(written):
    old = Package("until_cleared", price=400, cap=9)
    assert old == Package("fixed", price=400, cap=9)
    text = tariff_template()
    assert "until_cleared" not in text
    before = text.replace('kind = "fixed"', 'kind = "until_cleared"')
    assert before != text
    assert read_tariff(written(before)) == read_tariff(written(text))
    with pytest.raises(RequestError, match="Use one of per_session, block, fixed, part_fixed"):
        Package("by_the_gram")


def test_the_template_is_a_tariff(written):
    tariff = read_tariff(written(tariff_template()))
    assert [package.kind for package in tariff.packages] == [
        "per_session", "block", "fixed", "part_fixed",
    ]  # fmt: skip
    assert tariff.session_price == Decimal("150.00")
    assert tariff.packages[2].price is None
    for code in languages():
        assert read_tariff(written(tariff_template(code))) == tariff


def test_decimals_of_a_file_stay_exact(written):
    text = tariff_template().replace("consumables = 6.50", "consumables = 0.1")
    assert read_tariff(written(text)).consumables == Decimal("0.1")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("consumables = 6.50", "consumable = 6.50", "unknown key 'consumable'.*'consumables'"),
        ("extra_price = 140.00", "extra_prise = 140", "of package 2.*'extra_price'"),
        ("consumables = 6.50", "", "consumables"),
        ("consumables = 6.50", "consumables = -6.50", "tariff.toml: consumables is -6.50"),
        ('currency = "EUR"', "", "tariff.toml lacks currency"),
        ("price = 780.00", 'price = "780 CHF"', "in CHF"),
        ("price = 780.00", "price = -1", "package 2: price"),
        ("cap = 15    ", "cap = 0 # ", "cap is 0"),
        ("[[packages]]", "[[packages]", "is not TOML"),
        ('name = "block_6"', 'name = "fixed_price"', "Two packages"),
    ],
)
def test_a_faulty_file_is_refused_by_file_and_key(written, old, new, words):
    with pytest.raises(DataError, match=words):
        read_tariff(written(tariff_template().replace(old, new, 1)))


def test_a_missing_file_says_how_to_get_one(tmp_path):
    with pytest.raises(ForecastError, match="--template"):
        read_tariff(tmp_path / "none.toml")


def test_packages_that_are_no_list_are_refused(written):
    with pytest.raises(DataError, match="not a list of tables"):
        read_tariff(written('currency = "EUR"\npackages = 3\n'))


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"target_margin": "1.5"}, "target_margin is 1.5."),
        ({"cap": "1.5"}, "cap is 1.5."),
        ({"session_price": "NaN"}, "session_price is NaN"),
    ],
)
def test_a_number_of_a_tariff_is_shown_as_written(given: dict[str, str], says: str):
    terms = {"currency": "EUR", "session_price": 150, "cost_per_session": 55, "cap": 15}
    numbers = {name: Decimal(text) for name, text in given.items()}
    with pytest.raises(RequestError) as refused:
        Tariff(**(terms | numbers))
    assert says in str(refused.value)


TARIFF = Tariff(currency="EUR", session_price=150, cap=15, cost_per_session=60)
REDUCED = Package(
    "part_fixed", name="reduced", sessions=8, price=150, extra_price=75, labels={"de": "Nachlass"}
)


@pytest.mark.parametrize(
    ("done", "bill"),
    [
        (0, 8 * 150 + 2 * 75),  # ten sessions in all, the price falls after the eighth
        (6, 2 * 150 + 2 * 75),
        (8, 2 * 75),
        (9, 1 * 75),
    ],
)
def test_a_reduced_price_goes_on_where_the_course_stands(done: int, bill: int):
    found = left_of(REDUCED, TARIFF, done)
    assert found is not None
    quote = price_package(estimate(np.eye(25)[10 - done - 1]), *found, started=bool(done))
    assert quote.expected_bill == bill
    assert quote.package.name == "reduced"
    assert quote.package.label("de") == "Nachlass"


def test_a_fixed_price_holds_what_is_left_up_to_its_cap_and_is_asked_for_anew():
    found = left_of(Package("fixed", price=1200, cap=12), TARIFF, 5)
    assert found is not None
    package, rest = found
    assert (package.cap, package.price, rest.cap) == (7, None, 10)


def test_a_new_block_is_sold_while_the_course_has_room_for_it():
    block = Package("block", sessions=6, price=780, extra_price=140)
    found = left_of(block, TARIFF, 9)
    assert found is not None
    assert (found[0].sessions, found[0].price) == (6, Decimal(780))
    assert left_of(block, TARIFF, 10) is None


@pytest.mark.parametrize("kind", ["per_session", "fixed"])
def test_nothing_is_sold_beyond_the_most_sessions_of_a_course(kind: str):
    assert left_of(Package(kind), TARIFF, 14) is not None
    assert left_of(Package(kind), TARIFF, 15) is None


def test_at_the_consultation_nothing_changes():
    assert left_of(REDUCED, TARIFF, 0) == (REDUCED, TARIFF)


def test_what_is_not_sold_any_more_says_why_and_the_cap_of_all_is_named_once():
    sold = (Package("per_session", cap=8), Package("block", sessions=6, price=780), REDUCED)
    clinic = replace(TARIFF, packages=sold)
    assert no_longer_sold(clinic, 7) == []
    of_one, of_block = map(str, no_longer_sold(clinic, 10))
    assert of_one.endswith(": no longer offered, as at most 8 sessions of a course are sold so.")
    assert of_block.endswith(
        "as a new block would go beyond the 15 sessions that a course may have."
    )
    for done in (15, 20):
        (note,) = no_longer_sold(clinic, done)
        assert note.code == "prices.cap_of_tariff"
