"""What quoting from the forecast is worth in money, against one price for all of a size."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._notes import Note, Sentence, problem_and_remedy, sentence
from forecast._plain import Result
from forecast.assess import grouped_folds
from forecast.errors import RequestError
from forecast.forecaster.fit import fit_forecaster
from forecast.log import enquiries_of
from forecast.prices import clients_drawn, from_cents, mean_estimates, past_courses, price_rows

if TYPE_CHECKING:
    from forecast.log import OutcomeLog
    from forecast.prices import Package, Tariff

FOLDS, RESAMPLES = 5, 500
FEWEST = 40  # ended courses


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class QuotingValue(Result):
    """What quotes from the forecast put right, per 100 clients; money net of tax.

    Both prices are to earn the tariff's target margin on average; courses are quoted by models
    that were not fitted to their clients. Of the ``n_courses`` that ended, ``put_right`` is by how
    much less the quotes charge the wrong client, that is more or less than a course's own cost and
    its margin, than one price for all tattoos of a size does; its ``interval`` is by resampling
    clients. ``losses``, on courses that cost more than was paid, and ``margins`` are those at one
    price, and at the quotes.
    """

    package: str
    currency: str
    n_courses: int
    n_clients: int
    put_right: Decimal
    interval: tuple[Decimal, Decimal]
    losses: tuple[Decimal, Decimal]
    margins: tuple[Decimal, Decimal]

    @property
    def verdict(self) -> Note:
        """Whether the quotes put prices right, beyond chance."""
        low, high = self.interval
        code = "better" if low > 0 else "worse" if high < 0 else "cannot_say"
        values = {"package": self.package, "courses": self.n_courses, "code": self.currency}
        values |= {"amount": abs(self.put_right), "low": low, "high": high}
        return Note(f"quoting.{code}", values=values)

    def lines(self, language: str) -> list[str]:
        """Return what quotes put right, and what is lost on single courses."""
        flat, own = self.losses
        values = {"flat": flat, "own": own, "code": self.currency}
        return [Sentence(self.verdict), sentence("quoting.losses", values)]


def value_of_quoting(
    log: OutcomeLog, package: Package, tariff: Tariff, *, seed: int = 0
) -> QuotingValue:
    """Return what quoting a package from the forecast puts right over one price, out of fold.

    A model is fitted five times, each time without a fifth of the clients. Their courses are then
    priced twice for the target margin: by their own predicted sessions, and by the mean
    prediction over the other clients, which is one price for every tattoo of a size. What each
    course really cost says what it should have paid. Courses still running are left to those that
    ended later (as in `backtest_package`); clients are taken to come and stop as they did.

    Parameters
    ----------
    log : OutcomeLog
        Past courses.
    package : Package
        What is sold; its own price is not used.
    tariff : Tariff
        Costs, rules and target margin.
    seed : int
        Of the clients drawn anew for the interval, of folds and of fits.

    Raises
    ------
    RequestError
        Fewer than 40 courses that were to be cleared have ended.

    Examples
    --------
    >>> small = log.where((log.courses["ink_density"] == "heavy").to_numpy())
    >>> value_of_quoting(small, forecast.Package("fixed", cap=15), tariff)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    forecast.errors.RequestError: Fewer than 40 courses that were to be cleared have ended. ...
    """
    log = log.where((log.courses["goal"] == "clear").to_numpy())
    courses, unpriced = log.courses, package.sold_at(None)
    own, flat = (np.zeros(len(courses)) for _ in range(2))
    if (courses["outcome"] != "ongoing").sum() < FEWEST:
        raise RequestError(*problem_and_remedy("refused.few_ended", {"least": FEWEST}))
    client = courses["client_id"].to_numpy(dtype=object)
    area = courses["area_cm2"].to_numpy(dtype=np.float64)
    fold = grouped_folds(client, n_folds=FOLDS, seed=seed)
    for part in range(FOLDS):
        held = fold == part
        forecaster = fit_forecaster(log.where(~held), seed=seed)
        pmf, stop, pull = mean_estimates(forecaster, enquiries_of(courses))
        usual, usual_stop = (
            np.broadcast_to(each[~held].mean(axis=0), each[held].shape) for each in (pmf, stop)
        )
        given: Any = {"area_cm2": area[held], "pull": pull}
        (at_own,) = price_rows(pmf[held], stop[held], [unpriced], tariff, **given)
        (at_one,) = price_rows(usual, usual_stop, [unpriced], tariff, **given)
        own[held], flat[held] = at_own.for_margin, at_one.for_margin
    by_one, by_own = (past_courses(log, unpriced, tariff, price) for price in (flat, own))
    weights = by_one.weights(np.ones(len(courses)))
    meant = by_one.spent * tariff.target_margin / (1 - tariff.target_margin)
    wrong = [np.abs(past.margins - meant) for past in (by_one, by_own)]
    lost = [np.maximum(-past.margins, 0.0) for past in (by_one, by_own)]
    gains = wrong[0] - wrong[1]

    def per_100(values: FloatArray, counts: FloatArray | float = 1.0) -> float:
        each = weights * counts
        return float(100 * each @ values / max(each.sum(), 1e-9))

    again = [per_100(gains, counts) for counts in clients_drawn(log, RESAMPLES, seed)]
    low, high = np.quantile(again, [0.025, 0.975])
    return QuotingValue(
        package=package.said,
        currency=tariff.currency,
        n_courses=int(by_one.ended.sum()),
        n_clients=len(set(client[by_one.ended])),
        put_right=from_cents(per_100(gains)),
        interval=(from_cents(float(low)), from_cents(float(high))),
        losses=(from_cents(per_100(lost[0])), from_cents(per_100(lost[1]))),
        margins=(from_cents(per_100(by_one.margins)), from_cents(per_100(by_own.margins))),
    )
