"""An offer for a course that has begun: the sessions already had count."""

from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from forecast.log import OutcomeLog
from forecast.prices.backtest import backtest_package
from forecast.prices.open_courses import left_of
from forecast.prices.quote import price_package
from forecast.prices.tariff import Package, Tariff
from forecast.survival import CountDistribution

TARIFF = Tariff(currency="EUR", session_price=150, cap=15, cost_per_session=60)
REDUCED = Package("part_fixed", name="reduced", sessions=8, price=150, extra_price=75)


@dataclass(frozen=True)
class Sure:
    """A course that surely needs so many sessions more."""

    more: int
    notes: tuple[str, ...] = ()

    @property
    def distribution(self):
        return CountDistribution(self.draws)

    @property
    def draws(self):
        return np.eye(25)[[self.more - 1]]

    @property
    def stop_hazard(self):
        return np.zeros(25)


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
    quote = price_package(Sure(10 - done), *found, started=bool(done))
    assert quote.expected_bill == bill
    assert quote.package.name == "reduced"


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


def test_courses_that_outlived_the_package_are_said_to_count_as_ended():
    kinds = [("cleared", 8), ("stopped", 4), ("ongoing", 15), ("ongoing", 17), ("ongoing", 3)]
    rows = [
        {
            "course_id": f"C{k}",
            "client_id": f"P{k}",
            "started_on": "2023-01-02",
            "skin_type": "III",
            "body_site": "forearm",
            "inks": "black",
            "ink_density": "heavy",
            "layering": "single",
            "outcome": outcome,
            "sessions_given": given,
        }
        for k, (outcome, given) in enumerate(kinds)
    ]
    log = OutcomeLog.from_frames(pd.DataFrame(rows))
    found = backtest_package(log, Package("per_session"), TARIFF, resamples=10)
    assert (found.n_ended, found.n_ongoing) == (4, 1)
    assert any(
        note.startswith("2 of the 3 courses under way have had all 15") for note in found.notes
    )
