"""A price list for the wall: few bands by a rule people can read, and what coarse bands cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast._types import FloatArray, IntArray
from forecast.counts import of_100
from forecast.errors import RequestError
from forecast.log import Enquiry
from forecast.prices.money import from_cents, round_up
from forecast.prices.payoff import outcome_chances, price_many, smallest_price, terms_of
from forecast.prices.shared_risk import areas_of
from forecast.prices.tariff import Package, Tariff
from forecast.prices.year import DrawsEstimates, enquiries_of
from forecast.tattoo import INK_GROUPS, REGIONS, ink_group

if TYPE_CHECKING:
    import pandas as pd

DENSITIES = ("light", "medium", "heavy")
AREAS = (25.0, 75.0, 150.0)  # cm²: where the classes of the list change
FEWEST_IN_BAND = 5


def band_rules(
    asked: list[Enquiry], cost: FloatArray, bands: int, *, typical_area_cm2: float = 50.0
) -> tuple[IntArray, list[str]]:
    """Return the band of each enquiry, shape (n,), and each band's rule in words.

    A regression tree (Breiman, Friedman, Olshen and Stone 1984) of the predicted cost with at
    most ``bands`` leaves; it may ask for ink group, ink density, area class and site region.
    """
    features, names = _features(asked, typical_area_cm2)
    if bands == 1:
        return np.zeros(len(asked), dtype=np.int64), ["all tattoos"]
    from sklearn.tree import DecisionTreeRegressor

    grown = DecisionTreeRegressor(
        max_leaf_nodes=bands, min_samples_leaf=max(FEWEST_IN_BAND, len(asked) // 50), random_state=0
    ).fit(features, cost)
    tree = grown.tree_
    lows = {0: np.full(features.shape[1], -np.inf)}
    highs = {0: np.full(features.shape[1], np.inf)}
    leaves = []
    for node in range(tree.node_count):  # parents come before their children
        if tree.children_left[node] < 0:
            leaves.append(node)
            continue
        at, cut = tree.feature[node], tree.threshold[node]
        for child, below in ((tree.children_left[node], True), (tree.children_right[node], False)):
            lows[child], highs[child] = lows[node].copy(), highs[node].copy()
            (highs if below else lows)[child][at] = cut
    number = {leaf: index for index, leaf in enumerate(leaves)}
    where = np.array([number[leaf] for leaf in grown.apply(features)], dtype=np.int64)
    return where, [_rule(lows[leaf], highs[leaf], names) for leaf in leaves]


def _features(
    asked: list[Enquiry], typical_area_cm2: float
) -> tuple[FloatArray, list[tuple[str, Any]]]:
    """Return one column per question a rule may ask, with its name and ordered values."""
    area = areas_of(asked)
    area = np.where(np.isnan(area), typical_area_cm2, area)
    columns = [
        np.array([INK_GROUPS.index(ink_group(str(one.inks))) for one in asked], dtype=np.float64),
        np.array([DENSITIES.index(one.ink_density) for one in asked], dtype=np.float64),
        np.searchsorted(AREAS, area, side="right").astype(np.float64),
    ]
    names: list[tuple[str, Any]] = [
        ("ink", INK_GROUPS),
        ("ink density", DENSITIES),
        ("area", AREAS),
    ]
    for region, sites in REGIONS.items():
        columns.append(np.array([one.body_site in sites for one in asked], dtype=np.float64))
        names.append(("site", region.replace("_", " ")))
    return np.column_stack(columns), names


def _rule(low: FloatArray, high: FloatArray, names: list[tuple[str, Any]]) -> str:
    parts, regions, not_regions = [], [], []
    for (name, values), least, most in zip(names, low, high, strict=True):
        if name == "site":
            if least > 0:
                regions.append(values)
            elif most < 1:
                not_regions.append(values)
        elif np.isfinite(least) or np.isfinite(most):
            parts.append(_range(name, values, least, most))
    if regions:
        parts.append(f"on {' or '.join(regions)}")
    elif not_regions:
        parts.append(f"not on {' or '.join(not_regions)}")
    return ", ".join(parts) or "all tattoos"


def _range(name: str, values: Any, least: float, most: float) -> str:
    n = len(values) + 1 if name == "area" else len(values)
    held = [place for place in range(n) if least < place < most]
    if name == "area":
        low = values[held[0] - 1] if held[0] else None
        high = values[held[-1]] if held[-1] < len(values) else None
        if low is None:
            return f"under {high:g} cm²"
        return f"{low:g} cm² or more" if high is None else f"{low:g} to {high:g} cm²"
    return f"{name} {' or '.join(values[place] for place in held)}"


FEWEST = 10  # enquiries a list rests on
BLOCK = 1000


@dataclass(frozen=True, slots=True)
class Band:
    """One line of the list.

    Attributes
    ----------
    rule : str
        Which tattoos it is for.
    n : int
        Enquiries it rests on.
    price : Decimal
        Price of the package in this band, tax included, on the price-list step.
    expected_sessions : float
        Average sessions delivered.
    expected_cost : Decimal
        Average cost of a course.
    chance_enough : float
        Average chance that the sessions of a block or of a fixed price are enough.
    lowest_own, highest_own : Decimal
        Where the middle 8 of 10 of its clients' own prices lie.
    """

    rule: str
    n: int
    price: Decimal
    expected_sessions: float
    expected_cost: Decimal
    chance_enough: float
    lowest_own: Decimal
    highest_own: Decimal


@dataclass(frozen=True, slots=True, eq=False)
class PriceList:
    """A price list and what its coarseness costs; money exact to the cent.

    Attributes
    ----------
    package : Package
        What is sold.
    currency : str
        Three-letter code.
    bands : tuple of Band
        Cheapest first.
    band_of : ndarray of shape (n,)
        Band of each enquiry, by its place in ``bands``.
    cross_subsidy : Decimal
        Per course, what clients with easy tattoos pay over their own price, and so the part that
        pays for hard ones. Net of tax.
    margin_if_all_buy, margin_if_some_buy : Decimal
        Expected margin per course sold: when everyone takes the package, and when only those take
        it whom paying per session would cost more on average.
    share_buying : float
        Share of enquiries for whom the package is the cheaper one.
    selection_loss : Decimal
        How much less per course the package then earns: adverse selection.
    notes : tuple of str
        How it was computed.
    """

    package: Package
    currency: str
    bands: tuple[Band, ...]
    band_of: IntArray
    cross_subsidy: Decimal
    margin_if_all_buy: Decimal
    margin_if_some_buy: Decimal
    share_buying: float
    selection_loss: Decimal
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return one row per band."""
        import pandas as pd

        return pd.DataFrame(
            [[getattr(band, name) for name in Band.__slots__] for band in self.bands],
            columns=list(Band.__slots__),
        )

    def to_text(self) -> str:
        """Return the list in words."""
        fixed = self.package.kind == "fixed"
        most = f", at most {self.package.cap} sessions" if fixed else ""
        lines = [f"{self.package.name}{most}, in {self.currency}, tax included:"]
        lines += [
            f"  {band.price:>9}  {band.rule} ({band.expected_sessions:.1f} sessions on average, "
            f"enough for {of_100(band.chance_enough)}, {band.n} enquiries)"
            for band in self.bands
        ]
        lines += [
            f"Inside the bands easy tattoos pay {self.cross_subsidy} {self.currency} per course "
            "for hard ones.",
            f"If only those buy whom it saves money ({of_100(self.share_buying)}), a "
            f"course earns {self.margin_if_some_buy} instead of {self.margin_if_all_buy}.",
        ]
        return "\n".join([*lines, *(f"- {note}" for note in self.notes)])


def make_price_list(
    forecaster: DrawsEstimates,
    enquiries: pd.DataFrame | Sequence[Enquiry],
    package: Package,
    tariff: Tariff,
    *,
    bands: int = 4,
) -> PriceList:
    """Return a price list of at most ``bands`` bands.

    A regression tree of the predicted cost (Breiman et al. 1984) on ink group, density, area
    class and site region makes the rule; each band's price meets the target margin and the
    largest accepted chance of loss over the band as a whole.

    Parameters
    ----------
    forecaster : Forecaster
        Offers ``estimate_draws``.
    enquiries : DataFrame or sequence of Enquiry
        The mix that the list is for, at least 10.
    package : Package
        What is sold; a price it has is ignored.
    tariff : Tariff
        Costs and rules.
    bands : int
        The most lines.

    Raises
    ------
    RequestError
        Too few enquiries, or a package sold by the session.
    """
    bands = check_whole_number(bands, name="bands", low=1, high=20)
    asked = enquiries_of(enquiries)
    if len(asked) < FEWEST or package.kind in ("per_session", "part_fixed"):
        raise RequestError(
            f"A price list of {package.name!r} for {len(asked)} enquiries.",
            f"Give at least {FEWEST} enquiries and a block or a fixed price.",
        )
    pmf, stop = _mean_estimates(forecaster, asked)
    cap = terms_of(package, tariff, pmf.shape[1]).cap if package.kind == "fixed" else package.cap
    package = replace(package, price=None, cap=cap)
    area = areas_of(asked)
    own = price_many(pmf, stop, (package,), tariff, area_cm2=area)[0]
    leaf, rules = band_rules(asked, own.cost, bands, typical_area_cm2=tariff.typical_area_cm2)
    sums = _outcome_sums(pmf, stop, area, package, tariff)
    prices = np.array([_band_price(sums, leaf == band, tariff) for band in range(len(rules))])
    order = np.argsort(prices, kind="stable")
    place = np.argsort(order)[leaf]
    lines = tuple(
        Band(
            rule=rules[band],
            n=int((leaf == band).sum()),
            price=from_cents(prices[band]),
            expected_sessions=float(own.sessions[leaf == band].mean()),
            expected_cost=from_cents(float(own.cost[leaf == band].mean())),
            chance_enough=float(own.enough[leaf == band].mean()),
            lowest_own=from_cents(float(np.quantile(own.price[leaf == band], 0.1))),
            highest_own=from_cents(float(np.quantile(own.price[leaf == band], 0.9))),
        )
        for band in order
    )
    return _with_coarseness(lines, place, prices[leaf], sums, own.session_bill, package, tariff)


def _mean_estimates(
    forecaster: DrawsEstimates, asked: list[Enquiry]
) -> tuple[FloatArray, FloatArray]:
    means, stops = [], []
    for start in range(0, len(asked), BLOCK):
        draws, stop = forecaster.estimate_draws(asked[start : start + BLOCK])
        means.append(draws.mean(axis=0))
        stops.append(stop.mean(axis=0) if stop.ndim == 3 else stop)
    return np.concatenate(means), np.concatenate(stops)


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Per enquiry: expected multiples of the price, other income, cost; break-even by outcome."""

    paid: FloatArray
    extra: FloatArray
    spent: FloatArray
    chances: FloatArray
    break_even: FloatArray


def _outcome_sums(
    pmf: FloatArray, stop: FloatArray, area: FloatArray, package: Package, tariff: Tariff
) -> _Sums:
    terms = terms_of(package, tariff, pmf.shape[1])
    chances = outcome_chances(terms, pmf, stop)
    cost = np.broadcast_to(tariff.session_costs(area), (len(pmf),))
    return _Sums(
        paid=chances @ terms.paid,
        extra=chances @ terms.extra,
        spent=terms.fixed_cost + cost * (chances @ terms.treated),
        chances=chances,
        break_even=terms.break_even(cost),
    )


def _band_price(sums: _Sums, inside: npt.NDArray[np.bool_], tariff: Tariff) -> float:
    """Return the band's price in cents: its courses pooled, as one course of mixed chances."""
    needed = (sums.spent[inside] / (1 - tariff.target_margin) - sums.extra[inside]).sum()
    chances = sums.chances[inside].reshape(1, -1) / inside.sum()
    largest = tariff.largest_chance_of_loss
    for_loss = smallest_price(sums.break_even[inside].reshape(1, -1), chances, largest)[0]
    price = round_up(max(needed / sums.paid[inside].sum(), for_loss, 0.0), tariff.round_to)
    return float(100 * price)


def _cheaper_though_harder(bands: tuple[Band, ...], package: Package) -> list[str]:
    """Return why a band costs less than one whose courses cost the clinic less, if one does."""
    odd = [
        (band, easier)
        for place, band in enumerate(bands)
        for easier in bands[place + 1 :]
        if easier.price > band.price and easier.expected_cost < band.expected_cost
    ]
    if not odd or package.extra_price is None:
        return []
    band, easier = max(odd, key=lambda pair: pair[1].price - pair[0].price)
    return [
        f"“{band.rule}” costs less than “{easier.rule}” though its courses are longer "
        f"({band.expected_sessions:.1f} sessions against {easier.expected_sessions:.1f}): its "
        f"margin is taken to come from the sessions after the {package.sessions}, each at "
        f"{package.extra_price}. It is missing where clients do not go on to buy those."
    ]


def _with_coarseness(
    bands: tuple[Band, ...],
    place: IntArray,
    price: FloatArray,
    sums: _Sums,
    session_bill: FloatArray,
    package: Package,
    tariff: Tariff,
) -> PriceList:
    revenue = price * sums.paid + sums.extra
    margin = revenue - sums.spent
    # against one's own price at the margin that the band earns as a whole
    excess = np.zeros(len(price))
    for band in range(len(bands)):
        inside = place == band
        earns = margin[inside].sum() / revenue[inside].sum()
        excess[inside] = revenue[inside] - sums.spent[inside] / (1 - earns)
    buys = revenue * (1 + tariff.tax_rate) < session_bill
    everyone = float(margin.mean())
    some = float(margin[buys].mean()) if buys.any() else 0.0
    notes = [
        "A band's price meets the tariff's target margin and chance of loss over its clients.",
        "Who buys is taken to know what paying per session would cost on average.",
    ]
    losing = int((margin < 0).sum())
    if losing:
        notes.append(f"{losing} of {len(price)} enquiries lose money on average at their band.")
    notes += _cheaper_though_harder(bands, package)
    return PriceList(
        package=package,
        currency=tariff.currency,
        bands=bands,
        band_of=place,
        cross_subsidy=from_cents(float(np.maximum(excess, 0).mean())),
        margin_if_all_buy=from_cents(everyone),
        margin_if_some_buy=from_cents(some),
        share_buying=float(buys.mean()),
        selection_loss=from_cents(everyone - some if buys.any() else 0.0),
        notes=tuple(notes),
    )
