"""Many enquiries at once: which package loses money, and on whom; and a price list for the wall."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from html import escape
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecast._arrays import FloatArray, IntArray
from forecast._checks import check_whole_number
from forecast._notes import (
    Note,
    Sentence,
    aligned,
    bullets,
    in_language,
    problem_and_remedy,
    sentence,
)
from forecast._plain import Result, fields_of, plain_table
from forecast.counts import of_100
from forecast.errors import RequestError
from forecast.log import Enquiry, column
from forecast.prices.package import Package, from_cents, round_up
from forecast.prices.quote import HALF, Priced, areas_of, price_rows, smallest_price
from forecast.prices.tariff import Tariff, check_sold
from forecast.prices.year import DrawsEstimates, asked_and_offered, pull_of
from forecast.tattoo import INK_GROUPS, REGIONS, ink_group

WORST = 5  # enquiries of a package that are named
FEW = 5  # enquiries up to which the price of each is given
UNUSUAL = 1.05  # times what is usual, from which it is a reason
DENSITIES = column("courses", "ink_density").levels
AREAS = (25.0, 75.0, 150.0)  # cm²: where the classes of the list change
FEWEST_ASKED = 10  # enquiries that a list rests on
FEWEST_IN_BAND = 5
ENQUIRIES_AT_ONCE = 1000


def price_many(
    forecaster: DrawsEstimates,
    frame: pd.DataFrame | Enquiry | Sequence[Enquiry],
    packages: Package | Sequence[Package],
    tariff: Tariff,
) -> pd.DataFrame:
    """Return one row for each enquiry and package: price, margin, chance of loss, and why.

    Columns: enquiry (``enquiry_id`` or the frame's index), package, price, sessions (delivered, on
    average), chance_enough (missing, NaN, for pay per session), cost, margin, chance_of_loss, mark
    (``dearer`` than its sessions one by one, a fixed price for ``too_few``, or empty) and reason,
    what makes its course leave less than that of the average enquiry. Money in currency, net of
    tax but for the price.

    Parameters
    ----------
    forecaster, tariff : Forecaster, Tariff
        What predicts (``estimate_draws``); costs and rules.
    frame : DataFrame, Enquiry or sequence of Enquiry
        The enquiries; a frame has their fields as columns.
    packages : Package or sequence of Package
        What is sold; one without a price is priced for each enquiry.

    Raises
    ------
    RequestError
        No enquiry or package, or a promise beyond the horizon.

    Examples
    --------
    >>> price_many(forecaster, enquiry, forecast.Package("fixed", price=900), tariff).shape
    (1, 10)
    """
    asked, offered = asked_and_offered(forecaster, frame, packages, tariff)
    labels: Sequence[Any] = range(len(asked))
    if isinstance(frame, pd.DataFrame):
        labels = list(frame.get("enquiry_id", frame.index))
    pmf, stop, pull = mean_estimates(forecaster, asked)
    area, tables = areas_of(asked), []
    each = tariff.session_costs(area)
    priced = price_rows(pmf, stop, offered, tariff, area_cm2=area, pull=pull)
    for package, one in zip(offered, priced, strict=True):
        few = (one.enough < HALF) & (package.kind == "fixed")
        tables.append(pd.DataFrame({
            "enquiry": labels,
            "package": package.name,
            "price": (one.price / 100).round(2),
            "sessions": one.sessions.round(2),
            "chance_enough": one.enough.round(4),
            "cost": (one.cost / 100).round(2),
            "margin": (one.margin / 100).round(2),
            "chance_of_loss": one.chance_of_loss.round(4),
            "mark": np.where(one.dearer, "dearer", np.where(few, "too_few", "")),
            "reason": pd.Series(_reasons(package, one, each, area, tariff), dtype=object),
        }))  # fmt: skip
    return pd.concat(tables, ignore_index=True)


def _reasons(
    package: Package, own: Priced, cost: FloatArray, area: FloatArray, tariff: Tariff
) -> list[Sentence]:
    # Whichever of a course's length and its session's cost is further from the average enquiry's:
    # a long course costs more where its price is one, a short one earns less by the session.
    by_session = package.kind in ("per_session", "part_fixed")
    usual, usual_cost = float(own.sessions.mean()), float(cost.mean())
    cheaper = own.price < own.price.mean() - 0.5  # cents
    found = []
    for held, each, cm2, less in zip(own.sessions, cost, area, cheaper, strict=True):
        reason = sentence("loses.long", {"held": round(held), "usual": round(usual)})
        length = usual / held if by_session else held / usual
        if each / usual_cost > length:
            code = "loses.typical" if np.isnan(cm2) else "loses.large"
            size = tariff.typical_area_cm2 if np.isnan(cm2) else cm2
            costs = {"own": from_cents(each), "usual": from_cents(usual_cost)}
            reason = sentence(code, {"area": size, "code": tariff.currency, **costs})
        if max(length, each / usual_cost) <= UNUSUAL:
            reason = sentence("loses.price" if less else "loses.as_usual")
        found.append(reason)
    return found


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class WhoLoses(Result):
    """Which package loses money, and on whom: ``rows`` of `price_many`, in ``currency``.

    ``labels`` are what clients read, by the name of the package.

    Examples
    --------
    >>> rows = price_many(forecaster, enquiry, forecast.Package("fixed", price=900), tariff)
    >>> WhoLoses(rows, "EUR").to_frame()["losing"].tolist()
    [0.0]
    """

    rows: pd.DataFrame
    currency: str
    labels: Mapping[str, Sentence] = field(default_factory=dict)

    def _said(self, package: Any) -> str:
        return self.labels.get(package, str(package))

    def to_frame(self) -> pd.DataFrame:
        """Return one row per package: mean margin, chance of loss, and for whom it falls short.

        ``not_enough`` is the mean share of clients for whom its sessions are not enough,
        ``losing`` the share of enquiries that lose money on average, ``misleading`` that of those
        to whom it should not be offered.
        """
        rows = self.rows.assign(losing=self.rows["margin"] < 0, misleading=self.rows["mark"] != "")
        rows["not_enough"] = 1 - rows["chance_enough"]
        columns = ["price", "margin", "chance_of_loss", "losing", "not_enough", "misleading"]
        return rows.groupby("package", sort=False)[columns].mean().reset_index()

    def worst(self) -> pd.DataFrame:
        """Return of each package the five below its mean margin that bring the least, and why."""
        kept = ["package", "enquiry", "price", "margin", "chance_of_loss", "sessions"]
        kept += ["mark", "reason"]
        order = []
        for _, rows in self.rows.groupby("package", sort=False):
            below = rows[rows["margin"] <= round(rows["margin"].mean(), 2)]
            order.append(below.sort_values("margin", kind="stable").head(WORST)[kept])
        return pd.concat(order)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values: a row per package with its five worst enquiries."""
        worst, packages = self.worst(), plain_table(self.to_frame().round(4))
        for row in packages:
            own = worst[worst["package"] == row["package"]]
            row["worst"] = own.drop(columns="package").to_dict("records")
        return {"packages": packages, "currency": self.currency}

    def lines(self, language: str) -> list[str]:
        """Return which package loses, a table of the packages, and what single enquiries bring."""
        lines: list[str] = [Sentence(self.verdict)]
        asked = self.rows["enquiry"].nunique()
        if 1 < asked <= FEW:
            lines += aligned(self._prices(), language, to_the_right=True)
        lines += ["", *self._by_package(language), sentence("prices.heads", self._values)]
        if asked > 1:
            lines += self._least()
        return [*lines, *bullets([Note("prices.not_for_sale")])]

    def in_brief(self, language: str) -> list[str]:
        """Return the same in a few lines: what each of a few enquiries pays, of many the table."""
        lines: list[str] = [Sentence(self.verdict)]
        asked = self.rows["enquiry"].nunique()
        notes = [Note("prices.not_for_sale")]
        if asked > FEW:
            lines += [*self._by_package(language), *self._least()]
            notes = [Note("prices.heads", values=self._values), *notes]
        else:
            rows, table = self._prices(), self.to_frame()
            if asked == 1:
                rows.append([sentence("loses.each_margin"), *map(_money, table["margin"])])
                rows.append([sentence("loses.each_not_enough"), *map(_of_100, table["not_enough"])])
            lines += aligned(rows, language, to_the_right=True)
        return [*lines, *bullets(notes)]

    def _prices(self) -> list[list[str]]:
        priced = self.rows.pivot_table("price", "enquiry", "package", sort=False)
        marks = self.rows.pivot_table("mark", "enquiry", "package", aggfunc="max", sort=False)
        rows: list[list[str]] = [[sentence("loses.prices", self._values)]]
        rows[0] += map(self._said, priced.columns)
        for (one, *own), (_, *of) in zip(priced.itertuples(), marks.itertuples(), strict=True):
            each = zip(map(_money, own), of, strict=True)
            said = (sentence("loses.no_offer", {"price": a}) if mark else a for a, mark in each)
            rows.append([str(one), *said])
        return rows

    def _by_package(self, language: str) -> list[str]:
        say: dict[str, Any] = {"package": self._said, "price": _money, "margin": _money}
        heads = (*say, "chance_of_loss", "losing", "not_enough", "misleading")
        rows: list[list[str]] = [[sentence(f"loses.head_{name}") for name in heads]]
        for own in self.to_frame().to_dict("records"):
            rows.append([say.get(name, _of_100)(own[name]) for name in heads])
        return aligned(rows, language, to_the_right=True)

    def _least(self) -> list[str]:
        lines: list[str] = ["", sentence("loses.least_left_by")]
        for package, worst in self.worst().groupby("package", sort=False):
            named = []
            for one in worst.itertuples():
                values = {"enquiry": str(one.enquiry), "margin": one.margin, "why": one.reason}
                named.append(sentence(f"loses.one{'_no_offer' * bool(one.mark)}", values))
            whole = {"package": self._said(package), "worst": named}
            lines.append(sentence("loses.of_package", whole))
        return lines

    @property
    def verdict(self) -> Note:
        """Which packages lose money on average, or with which it is lost most often."""
        table = self.to_frame()
        losing = table[table["margin"] < 0]
        if len(losing):
            margins = zip(map(self._said, losing["package"]), losing["margin"], strict=True)
            said = [
                sentence("loses.margin", {"package": a, "margin": _money(b)}) for a, b in margins
            ]
            return Note("prices.loses", "serious", {"packages": said, **self._values})
        worst = table.loc[table["chance_of_loss"].idxmax()]
        share = of_100(float(worst["chance_of_loss"]))
        values = {"package": self._said(worst["package"]), "share": share}
        code = "none_loses" if worst["chance_of_loss"] > 0 else "none_ever_loses"
        return Note(f"prices.{code}", values=values)

    @property
    def _values(self) -> dict[str, str]:
        return {"currency": self.currency}


def _money(amount: Any) -> Sentence:
    return sentence("quote.amount", {"amount": Decimal(f"{amount:.2f}")})


def _of_100(share: float) -> str:
    # as short as a table asks for, and like `of_100` never none or all of some
    said = {0: "<1", 100: ">99"}
    return "" if share != share else said.get(round(100 * share), f"{100 * share:.0f}")


@dataclass(frozen=True, slots=True)
class Band:
    """One line of the list; money in the tariff's currency."""

    rule: str  # which tattoos it is for
    n: int  # enquiries it rests on
    price: Decimal  # of the package in this band, tax included, on the price-list step
    expected_sessions: float  # delivered, on average
    expected_cost: Decimal  # of a course, on average
    chance_enough: float  # that the sessions of the package are, on average
    lowest_own: Decimal  # the middle 8 of 10 of its clients' own prices lie from here
    highest_own: Decimal  # to here


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class PriceList(Result):
    """A price list and what its coarseness costs; money exact to the cent, net of tax.

    Attributes
    ----------
    package, currency : Package, str
        What is sold, and the code of every amount.
    bands : tuple of Band
        Easiest first, none of which costs less than an easier one.
    band_of : ndarray of shape (n,)
        The place of each enquiry's band.
    cross_subsidy : Decimal
        What clients with easy tattoos pay over their own price, per course: it pays for hard ones.
    margin_if_all_buy, margin_if_some_buy, share_buying : Decimal, Decimal, float
        What a course sold is expected to leave, and what it does when only those buy whom paying
        per session would cost more on average: this share of the enquiries.
    selection_loss : Decimal
        How much less that is, by adverse selection.
    notes : tuple of Note
        How it was computed.

    Examples
    --------
    >>> prices = make_price_list(forecaster, [enquiry] * 10, Package("fixed"), tariff, bands=1)
    >>> prices.bands[0].n, prices.band_of.tolist()
    (10, [0, 0, 0, 0, 0, 0, 0, 0, 0, 0])
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
    notes: tuple[Note, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return one row per band."""
        return pd.DataFrame(list(self.bands))

    @property
    def _title(self) -> Sentence:
        code = "list.fixed" if self.package.kind == "fixed" else "list.package"
        return sentence(code, {"name": self.package.said, "cap": self.package.cap})

    def to_html(self, *, language: str = "en") -> str:
        """Return the list as a page to print: what a client may see, and nothing else."""
        title = escape(self._title.say(language))
        heads = [sentence(f"list.{name}").say(language) for name in ("of", "price", "enough")]
        rows = "\n".join(
            f"<tr><td>{escape(in_language(band.rule, language))}</td>"
            f"<td>{sentence('quote.amount', {'amount': band.price}).say(language)} {self.currency}"
            f"</td><td>{of_100(band.chance_enough).say(language)}</td></tr>"
            for band in self.bands
        )
        return (
            f'<!doctype html>\n<html lang="{language}">\n<meta charset="utf-8">\n'
            f'<meta name="generator" content="forecast price">\n<title>{title}</title>\n'
            "<style>@page{size:A4;margin:2cm}body{font:1rem/1.5 system-ui,sans-serif}"
            "td,th{padding:.4rem 1.5rem .4rem 0;text-align:left}</style>\n"
            f"<h1>{title}</h1>\n<table>\n<tr><th>{'</th><th>'.join(heads)}</th></tr>\n{rows}\n</table>\n"
            f"<p>{Note('prices.no_promise').say(language)} "
            f"{Note('prices.not_for_sale').say(language)}</p>\n</html>\n"
        )

    def lines(self, language: str) -> list[str]:
        """Return the list in words."""
        each = [fields_of(band) | {"enough": of_100(band.chance_enough)} for band in self.bands]
        bands = [sentence("list.band", values) for values in each]
        values = {"subsidy": self.cross_subsidy, "code": self.currency, "title": self._title}
        values |= {"some": self.margin_if_some_buy, "all": self.margin_if_all_buy}
        values["share"] = of_100(self.share_buying)
        title, *rest = (sentence(f"list.{one}", values) for one in ("title", "inside", "some"))
        return [title, *bands, *rest, *bullets(self.notes)]


def make_price_list(
    forecaster: DrawsEstimates,
    enquiries: pd.DataFrame | Sequence[Enquiry],
    package: Package,
    tariff: Tariff,
    *,
    bands: int = 4,
) -> PriceList:
    """Return a price list of at most ``bands`` bands.

    A regression tree of the predicted cost (Breiman, Friedman, Olshen and Stone 1984) on ink group,
    density, area class and site region makes the rule; each band's price meets the target margin
    and the largest accepted chance of loss over the band as a whole.

    Parameters
    ----------
    forecaster, tariff : Forecaster, Tariff
        What predicts (``estimate_draws``); costs and rules.
    enquiries : DataFrame or sequence of Enquiry
        The mix that the list is for, at least 10.
    package : Package
        What is sold; a price it has is ignored.
    bands : int
        The most lines.

    Raises
    ------
    RequestError
        Too few enquiries, or a package sold by the session.

    Examples
    --------
    >>> package = forecast.Package("fixed")
    >>> len(make_price_list(forecaster, log.courses.tail(40), package, tariff, bands=2).bands)
    2
    """
    bands = check_whole_number(bands, name="bands", low=1, high=20)
    check_sold(package, tariff)
    asked, _ = asked_and_offered(forecaster, enquiries, package, tariff)
    if len(asked) < FEWEST_ASKED or package.kind in ("per_session", "part_fixed"):
        values = {"name": package.name, "n": len(asked), "least": FEWEST_ASKED}
        raise RequestError(*problem_and_remedy("refused.price_list", values))
    pmf, stop, pull = mean_estimates(forecaster, asked)
    cap = package.cap
    if package.kind == "fixed" and cap is None:
        cap = min(tariff.cap, pmf.shape[1])
    package, area = package.sold_at(None, cap=cap), areas_of(asked)
    own = price_rows(pmf, stop, (package,), tariff, area_cm2=area, pull=pull)[0]
    known_area = np.where(np.isnan(area), tariff.typical_area_cm2, area)
    leaf, rules = band_rules(asked, known_area, own.cost, bands)
    break_even = own.terms.break_even(tariff.session_costs(area))
    inside = [leaf == band for band in range(len(rules))]
    prices = np.array([_band_price(own, break_even, rows, tariff) for rows in inside])
    # easiest first, and never a harder band below an easier one
    order = np.argsort([own.cost[rows].mean() for rows in inside], kind="stable")
    prices[order] = np.maximum.accumulate(prices[order])
    lines = tuple(_band(rules[k], own, prices[k], inside[k]) for k in order)
    revenue = prices[leaf] * own.paid + own.extra
    margin = revenue - own.cost
    # against one's own price at the margin that the band earns as a whole
    earns = np.array([margin[rows].sum() / revenue[rows].sum() for rows in inside])[leaf]
    excess = revenue - own.cost / (1 - earns)
    buys = revenue < own.session_revenue
    everyone = float(margin.mean())
    some = float(margin[buys].mean()) if buys.any() else 0.0
    notes, losing = [Note("prices.band_as_a_whole"), Note("prices.buyers_know")], (margin < 0).sum()
    if losing:
        counts = {"losing": int(losing), "enquiries": len(margin)}
        notes.append(Note("prices.losing_enquiries", "caution", counts))
    return PriceList(
        package=package,
        currency=tariff.currency,
        bands=lines,
        band_of=np.argsort(order)[leaf],
        cross_subsidy=from_cents(float(np.maximum(excess, 0).mean())),
        margin_if_all_buy=from_cents(everyone),
        margin_if_some_buy=from_cents(some),
        share_buying=float(buys.mean()),
        selection_loss=from_cents(everyone - some if buys.any() else 0.0),
        notes=tuple(notes),
    )


def mean_estimates(
    forecaster: DrawsEstimates, asked: list[Enquiry]
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Return pmfs and stopping hazards of what is ``asked``, each (n, horizon), and who stops.

    They are those that ``forecaster`` draws, averaged, and `pull_of` it.

    Examples
    --------
    >>> mean_estimates(forecaster, [enquiry])[0].shape
    (1, 25)
    """
    means, stops = [], []
    for start in range(0, len(asked), ENQUIRIES_AT_ONCE):
        draws, stop = forecaster.estimate_draws(asked[start : start + ENQUIRIES_AT_ONCE])
        means.append(draws.mean(axis=0))
        stops.append(stop.mean(axis=0) if stop.ndim == 3 else stop)
    return np.concatenate(means), np.concatenate(stops), pull_of(forecaster)


def _band_price(
    own: Priced, break_even: FloatArray, inside: npt.NDArray[np.bool_], tariff: Tariff
) -> float:
    # the band's price in cents: its courses pooled, as one course of mixed chances
    needed = (own.cost[inside] / (1 - tariff.target_margin) - own.extra[inside]).sum()
    pooled, even = own.chances[inside].reshape(1, -1) / inside.sum(), break_even[inside]
    for_loss = smallest_price(even.reshape(1, -1), pooled, tariff.largest_chance_of_loss)[0]
    price = round_up(max(needed / own.paid[inside].sum(), for_loss, 0.0), tariff.round_to)
    return float(100 * price)


def _band(rule: str, own: Priced, price: float, inside: npt.NDArray[np.bool_]) -> Band:
    low, high = np.quantile(own.price[inside], [0.1, 0.9])
    return Band(
        rule=rule,
        n=int(inside.sum()),
        price=from_cents(price),
        expected_sessions=float(own.sessions[inside].mean()),
        expected_cost=from_cents(float(own.cost[inside].mean())),
        chance_enough=float(own.enough[inside].mean()),
        lowest_own=from_cents(float(low)),
        highest_own=from_cents(float(high)),
    )


def band_rules(
    asked: list[Enquiry], area: FloatArray, cost: FloatArray, bands: int
) -> tuple[IntArray, list[str]]:
    """Return the band of each enquiry, shape (n,), and each band's rule in words, by a tree."""
    if bands == 1:
        return np.zeros(len(asked), dtype=np.int64), [sentence("list.all_tattoos")]
    from sklearn.tree import DecisionTreeRegressor

    # what a rule may ask: its name, its ordered values, and the place of each enquiry among them
    questions: list[tuple[str, Any, Any]] = [
        ("ink", INK_GROUPS, [INK_GROUPS.index(ink_group(str(one.inks))) for one in asked]),
        ("ink_density", DENSITIES, [DENSITIES.index(one.ink_density) for one in asked]),
        ("area", AREAS, np.searchsorted(AREAS, area, side="right")),
    ]
    for region, sites in REGIONS.items():
        there = [one.body_site in sites for one in asked]
        questions.append(("site", sentence(f"list.{region}"), there))
    features = np.column_stack([places for _, _, places in questions]).astype(np.float64)
    smallest = max(FEWEST_IN_BAND, len(asked) // 50)
    tree = DecisionTreeRegressor(max_leaf_nodes=bands, min_samples_leaf=smallest, random_state=0)
    grown = tree.fit(features, cost)
    reach = np.full(features.shape[1], np.inf)
    leaves = sorted(_leaves(grown.tree_, 0, -reach, reach), key=lambda leaf: leaf[0])
    where = np.searchsorted([node for node, _, _ in leaves], grown.apply(features))
    return where, [_rule(low, high, questions) for _, low, high in leaves]


def _leaves(
    tree: Any, node: int, low: FloatArray, high: FloatArray
) -> Iterator[tuple[int, FloatArray, FloatArray]]:
    # each leaf below a node, with the bounds of what it holds
    if tree.children_left[node] < 0:
        yield node, low, high
        return
    cut = np.where(np.arange(len(low)) == tree.feature[node], tree.threshold[node], np.nan)
    yield from _leaves(tree, tree.children_left[node], low, np.fmin(high, cut))
    yield from _leaves(tree, tree.children_right[node], np.fmax(low, cut), high)


def _rule(low: FloatArray, high: FloatArray, questions: list[tuple[str, Any, Any]]) -> Sentence:
    bounds = [*zip(questions, low, high, strict=True)]
    parts = [
        _range(name, values, least, most)
        for (name, values, _), least, most in bounds
        if name != "site" and (np.isfinite(least) or np.isfinite(most))
    ]
    sites = [one for one in bounds if one[0][0] == "site"]
    on = [region for (_, region, _), least, _ in sites if least > 0]
    not_on = [region for (_, region, _), _, most in sites if most < 1]
    if on or not_on:
        parts.append(sentence("list.on" if on else "list.not_on", {"regions": on or not_on}))
    return sentence("list.rule", {"parts": parts}) if parts else sentence("list.all_tattoos")


def _range(name: str, values: Any, least: float, most: float) -> Sentence:
    n = len(values) + 1 if name == "area" else len(values)
    held = [place for place in range(n) if least < place < most]
    if name == "area":
        low = values[held[0] - 1] if held[0] else None
        high = values[held[-1]] if held[-1] < len(values) else None
        code = "under" if low is None else "from" if high is None else "between"
        return sentence(f"list.{code}", {"low": low, "high": high})
    return sentence("list.levels", {"name": name, "levels": [values[place] for place in held]})
