"""What is sold: pay per session, a block of sessions, a fixed price, or a part-fixed one."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from forecast._checks import check_whole_number, nearest, shown
from forecast.clinic.money import amount, currency_of
from forecast.errors import RequestError

__all__ = ["KINDS", "Package", "check_share"]

KINDS = ("per_session", "block", "fixed", "part_fixed")
ALIASES = {"until_cleared": "fixed"}  # the name promised what a price with a cap does not
NEEDS_SESSIONS = ("block", "part_fixed")


def check_share(value: float, *, name: str, high: float = 1.0) -> float:
    """Return ``value`` as a float from 0 to ``high``, or raise RequestError."""
    number = isinstance(value, int | float | Decimal) and not isinstance(value, bool)
    if not number or not 0 <= value <= high:
        raise RequestError(
            f"{name} is {shown(value)}.",
            f"Give {name} as a number from 0 to {high:g} (0.2 is 20 %).",
        )
    return float(value)


@dataclass(frozen=True, slots=True)
class Package:
    """One thing that is sold. Amounts include tax, as the client sees them.

    Attributes
    ----------
    kind : str
        ``per_session`` (``price`` is for one session), ``block`` (``price`` buys ``sessions``
        sessions), ``fixed`` (``price`` buys as many sessions as are needed, but at most ``cap``;
        the old word ``until_cleared`` is read as it) or ``part_fixed`` (``price`` for each of the
        first ``sessions`` sessions, ``extra_price`` for each later one).
    name : str
        What the clinic calls it; by default made from the rest.
    price : Decimal, optional
        None asks for the price. For the two kinds sold by the session None is the tariff's
        ``session_price``.
    sessions : int, optional
        Sessions in the block, or at the full price.
    cap : int, optional
        The most sessions that are given; by default the tariff's.
    extra_price : Decimal, optional
        Price of each session beyond ``sessions``; a block without it ends with its last session.
    refund_share : float, optional
        Share, 0 to 1, of the unused part of a prepaid price that is handed back: of the sessions
        not used for a block; for ``fixed`` only when the client stops uncleared, and then
        of the sessions left up to the cap. By default the tariff's.
    goes_on : float
        Chance that a client whose block was not enough buys the sessions beyond it.
    stop_factor : float, optional
        Multiplies the chance of stopping after each session: below 1 where prepaying keeps
        clients coming. By default the tariff's.
    currency : str
        Three-letter code; empty takes the tariff's, another one is refused.

    Examples
    --------
    >>> Package("block", sessions=6, price=Decimal("780")).name
    '6 sessions'
    """

    kind: str
    name: str = ""
    price: Decimal | None = None
    sessions: int | None = None
    cap: int | None = None
    extra_price: Decimal | None = None
    refund_share: float | None = None
    goes_on: float = 1.0
    stop_factor: float | None = None
    currency: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "kind", ALIASES.get(self.kind, self.kind))
        if self.kind not in KINDS:
            raise RequestError(
                f"kind is {self.kind!r}.{nearest(str(self.kind), KINDS)}",
                f"Use one of {', '.join(KINDS)}.",
            )
        self._check_sessions()
        written = currency_of(self.price) or currency_of(self.extra_price)
        object.__setattr__(self, "currency", self.currency.strip().upper() or written)
        _set(self, "price", self.price, lambda v: _money(v, "price", self.currency))
        _set(
            self, "extra_price", self.extra_price, lambda v: _money(v, "extra_price", self.currency)
        )
        _set(self, "refund_share", self.refund_share, lambda v: check_share(v, name="refund_share"))
        _set(self, "goes_on", self.goes_on, lambda v: check_share(v, name="goes_on"))
        _set(
            self,
            "stop_factor",
            self.stop_factor,
            lambda v: check_share(v, name="stop_factor", high=10),
        )
        object.__setattr__(self, "name", self.name or self._default_name())

    def _check_sessions(self) -> None:
        if (self.sessions is None) == (self.kind in NEEDS_SESSIONS):
            raise RequestError(
                f"A {self.kind} package with sessions={self.sessions}.",
                "Give sessions for a block and a part_fixed package, and for no other kind.",
            )
        if self.kind == "part_fixed" and self.extra_price is None:
            raise RequestError(
                "A part_fixed package without extra_price.",
                "Give the reduced price of each session after the first ones.",
            )
        if self.kind not in NEEDS_SESSIONS and self.extra_price is not None:
            raise RequestError(
                f"A {self.kind} package with extra_price.", "Leave extra_price out for this kind."
            )
        for name in ("sessions", "cap"):
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, check_whole_number(value, name=name, low=1))

    def _default_name(self) -> str:
        return {
            "per_session": "pay per session",
            "block": f"{self.sessions} sessions",
            "fixed": "fixed price",
            "part_fixed": f"{self.sessions} at full price, then reduced",
        }[self.kind]


def _money(value: object, name: str, currency: str) -> Decimal:
    return amount(value, name=name, currency=currency)


def _set(target: object, name: str, value: object, check: Callable[..., object]) -> None:
    if value is not None:
        object.__setattr__(target, name, check(value))
