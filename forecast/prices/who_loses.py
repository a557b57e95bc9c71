"""Many enquiries and packages at once: which package loses money, and on whom."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from forecast._arrays import FloatArray
from forecast._notes import Note, Sentence, aligned, bullets, sentence
from forecast._plain import Result, plain_table
from forecast.counts import of_100
from forecast.log import Enquiry
from forecast.prices.money import from_cents
from forecast.prices.payoff import Priced, areas_of, price_rows
from forecast.prices.price_list import mean_estimates
from forecast.prices.quote import HALF
from forecast.prices.tariff import Package, Tariff
from forecast.prices.year import DrawsEstimates, asked_and_offered

WORST = 5  # enquiries of a package that are named
FEW = 5  # enquiries up to which the price of each is given
UNUSUAL = 1.05  # times what is usual, from which it is a reason


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
    area = areas_of(asked)
    each = tariff.session_costs(area)
    tables = []
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
        """Return of each package the five enquiries that bring the least, with the reason.

        None is above the package's mean margin.
        """
        kept = ["package", "enquiry", "price", "margin", "chance_of_loss", "sessions", "reason"]
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
        """Return which package loses, what each enquiry pays, and a table of the packages.

        The price of each enquiry is given where there are a few, and where there are several, who
        brings the least.
        """
        lines: list[str] = [Sentence(self.verdict)]
        asked = self.rows["enquiry"].nunique()
        if 1 < asked <= FEW:
            lines += aligned(self._prices(), language, to_the_right=True)
        lines += ["", *self._by_package(language), sentence("prices.heads", self._values)]
        if asked > 1:
            lines += ["", sentence("loses.least_left_by"), *self._least()]
        return [*lines, *bullets([Note("prices.not_for_sale")])]

    def in_brief(self, language: str) -> list[str]:
        """Return the same in a few lines: of a few enquiries what each pays.

        For one enquiry also what each package leaves, and how often its sessions are too few; of
        many the table of packages and who brings the least.
        """
        lines: list[str] = [Sentence(self.verdict)]
        asked = self.rows["enquiry"].nunique()
        notes = [Note("prices.not_for_sale")]
        if asked > FEW:
            lines += self._by_package(language)
            lines += ["", sentence("loses.least_left_by"), *self._least()]
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
        rows: list[list[str]] = [[sentence("loses.prices", self._values)]]
        rows[0] += map(self._said, priced.columns)
        return rows + [[str(one), *map(_money, own)] for one, *own in priced.itertuples()]

    def _by_package(self, language: str) -> list[str]:
        money = ("price", "margin")
        shares = ("chance_of_loss", "losing", "not_enough", "misleading")
        heads = ("package", *money, *shares)
        rows: list[list[str]] = [[sentence(f"loses.head_{name}") for name in heads]]
        for own in self.to_frame().to_dict("records"):
            cells = [_money(own[name]) for name in money] + [_of_100(own[name]) for name in shares]
            rows.append([self._said(own["package"]), *cells])
        return aligned(rows, language, to_the_right=True)

    def _least(self) -> list[Sentence]:
        lines = []
        for package, worst in self.worst().groupby("package", sort=False):
            named = []
            for one in worst.itertuples():
                values = {"enquiry": str(one.enquiry), "margin": one.margin, "why": one.reason}
                named.append(sentence("loses.one", values))
            whole = {"package": self._said(package), "worst": named}
            lines.append(sentence("loses.of_package", whole))
        return lines

    @property
    def verdict(self) -> Note:
        """Which packages lose money on average, or with which it is lost most often."""
        table = self.to_frame()
        losing = table[table["margin"] < 0]
        margins = zip(losing["package"], losing["margin"], strict=True)
        if len(losing):
            each = [{"package": self._said(a), "margin": _money(b)} for a, b in margins]
            said = [sentence("loses.margin", values) for values in each]
            return Note("prices.loses", "serious", {"packages": said, **self._values})
        worst = table.loc[table["chance_of_loss"].idxmax()]
        share = of_100(float(worst["chance_of_loss"]))
        values = {"package": self._said(worst["package"]), "share": share}
        return Note("prices.none_loses", values=values)

    @property
    def _values(self) -> dict[str, str]:
        return {"currency": self.currency}


def _money(amount: Any) -> Sentence:
    return sentence("quote.amount", {"amount": Decimal(f"{amount:.2f}")})


def _of_100(share: float) -> str:
    # as short as a table asks for, and like `of_100` never none or all of some
    if share != share:
        return ""
    count = round(100 * share)
    return {0: "<1", 100: ">99"}.get(count, str(count))
