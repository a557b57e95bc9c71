"""A priced package for one enquiry: the numbers, plain JSON, and words."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast.clinic.frequency import of_100
from forecast.clinic.offer import Package

__all__ = ["Quote", "quotes_text"]

FloatArray = npt.NDArray[np.float64]
UNITS = {
    "per_session": "a session",
    "block": "the block",
    "fixed": "the course",
    "part_fixed": "each of the first sessions",
}


@dataclass(frozen=True, slots=True, eq=False)
class Quote:
    """A priced package for one enquiry. Money is exact to the cent, probabilities are fractions.

    Attributes
    ----------
    package : Package
        What is sold.
    currency : str
        Three-letter code.
    price : Decimal
        Price of the package, tax included; `price_unit` says of what.
    expected_sessions, expected_waste : float
        Sessions delivered on average; prepaid sessions not used on average.
    expected_cost, expected_revenue, expected_bill, expected_margin : Decimal
        Averages per course; revenue and margin net of tax, the bill as the client pays it.
    chance_of_loss : float
        Chance that this course loses money.
    chance_of_loss_range : tuple of float
        Where 9 of 10 of the model's parameter draws put that chance.
    expected_shortfall : Decimal
        Mean loss in the worst 5 of 100 such courses; negative where even they earn.
    break_even_price, price_for_margin, price_for_loss, list_price : Decimal
        Price without expected gain; for the target margin; for the largest accepted chance of
        loss; and the larger of the last two, on the price-list step. Below zero, but on the
        list, where the extra sessions alone bring in more than that.
    fair_price, fair_premium : Decimal
        Price with the same expected margin as pay per session, and how much more the client
        then pays on average than per session.
    risk_premium : Decimal
        What to add to the fair price so that it is still fair in 19 of 20 of the model's
        parameter draws: the part of the risk that selling more courses does not average out.
    margin_sd, chance_sd, model_sd : Decimal
        Spread of one course's margin; its part from chance (clients differ) and its part from
        the model (parameters are not known): squares of the last two add up to the first's.
    chance_enough : float or None
        Chance that the goal is reached within the package's sessions if treatment goes on.
    margins, chances : ndarray of shape (m,)
        Distribution of the margin in whole cents, by sessions delivered.
    cap : int
        The most sessions counted.
    median : int or None
        Predicted median of the sessions needed; None beyond the horizon.
    check : tuple of str
        What an honest offer says beside the price.
    notes : tuple of str
        Doubts carried from the estimate, and how the price was made.
    """

    package: Package
    currency: str
    price: Decimal
    expected_sessions: float
    expected_waste: float
    expected_cost: Decimal
    expected_revenue: Decimal
    expected_bill: Decimal
    expected_margin: Decimal
    chance_of_loss: float
    chance_of_loss_range: tuple[float, float]
    expected_shortfall: Decimal
    break_even_price: Decimal
    price_for_margin: Decimal
    price_for_loss: Decimal
    list_price: Decimal
    fair_price: Decimal
    fair_premium: Decimal
    risk_premium: Decimal
    margin_sd: Decimal
    chance_sd: Decimal
    model_sd: Decimal
    chance_enough: float | None
    margins: FloatArray
    chances: FloatArray
    cap: int
    median: int | None
    check: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def price_unit(self) -> str:
        """What one price buys."""
        return UNITS[self.package.kind]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; money as text, exact to the cent."""
        plain: dict[str, Any] = {"package": self.package.name, "kind": self.package.kind}
        for name in self.__slots__:
            value = getattr(self, name)
            if isinstance(value, Decimal):
                plain[name] = str(value)
            elif isinstance(value, float):
                plain[name] = round(value, 4)
            elif isinstance(value, int | str) or value is None:
                plain[name] = value
        plain["chance_of_loss_range"] = [round(end, 4) for end in self.chance_of_loss_range]
        plain["price_unit"] = self.price_unit
        return {**plain, "check": list(self.check), "notes": list(self.notes)}

    def to_text(self) -> str:
        """Return the quote in words: price, risk, other prices, the honest check, the notes."""
        return "\n".join([self._numbers(), *bullets((*self.check, *self.notes))])

    def _numbers(self) -> str:
        code = self.currency
        lines = [
            self._offer(),
            f"Expected: {self.expected_sessions:.1f} sessions, cost {self.expected_cost}, "
            f"revenue net of tax {self.expected_revenue}, margin {self.expected_margin} {code}.",
            f"{self._losing()}; the worst 5 of 100 {_lose(self.expected_shortfall)} {code} on "
            "average.",
            f"Spread of one course: {self.margin_sd} {code}; from chance {self.chance_sd}, "
            f"from the model {self.model_sd}.",
            f"Prices: break-even {_price(self.break_even_price)}, for the target margin "
            f"{_price(self.price_for_margin)}, for the accepted chance of loss "
            f"{_price(self.price_for_loss)}, on the list {self.list_price} {code}.",
        ]
        if self.package.kind != "per_session":
            lines.append(self._fairly())
        return "\n".join(lines)

    def _offer(self) -> str:
        name, price = self.package.name, f"{self.price} {self.currency} for {self.price_unit}"
        if self.package.kind != "fixed" or self.chance_enough is None:
            return f"{name}: {price}, tax included."
        # a fixed price is read as a promise to clear unless its own line says what it is not
        most = f"at most {self.cap} session{'s' if self.cap > 1 else ''}"
        enough = f"enough for {of_100(self.chance_enough)} clients like this"
        return f"{name}, {most}: {price}, tax included; {enough}."

    def _fairly(self) -> str:
        if self.fair_price < 0:
            return (
                "No fair price: the extra sessions alone earn more than all sessions would, paid "
                "one by one."
            )
        return (
            f"Fair price {self.fair_price} {self.currency}: as much earned as per session, the "
            f"client paying {_more(self.fair_premium)} on average; add {self.risk_premium} to "
            "stay fair in 19 of 20 draws of the model."
        )

    def _losing(self) -> str:
        low, high = (round(100 * end) for end in self.chance_of_loss_range)
        found = f"Money is lost on {of_100(self.chance_of_loss)} such courses"
        return f"{found} ({low} to {high}, as far as the model is known)" if high else found


def quotes_text(quotes: Sequence[Quote]) -> str:
    """Return the quotes of one enquiry in words; what holds for all of them is said once."""
    texts = [(*quote.check, *quote.notes) for quote in quotes]
    shared = [text for text in texts[0] if all(text in other for other in texts)]
    parts = [
        "\n".join([quote._numbers(), *bullets(text for text in own if text not in shared)])
        for quote, own in zip(quotes, texts, strict=True)
    ]
    return "\n\n".join([*parts, "\n".join(["All of them:", *bullets(shared)])])


def bullets(texts: Iterable[str]) -> list[str]:
    """Return one line per text."""
    return [f"- {text}" for text in texts]


def _price(price: Decimal) -> str:
    return "covered by the extra sessions alone" if price < 0 else str(price)


def _lose(shortfall: Decimal) -> str:
    return f"lose {shortfall}" if shortfall > 0 else f"still earn {-shortfall}"


def _more(premium: Decimal) -> str:
    if not premium:
        return "the same"
    return f"{premium} more" if premium > 0 else f"{-premium} less"
