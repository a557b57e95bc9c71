"""Reading strategies: "ns", "ps", "ns:4>ps"."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from forecast._checks import check_kind
from forecast.errors import RequestError

REGIMES = ("ns", "ps")
PATTERN = re.compile(r"(ns|ps)(?::([1-9][0-9]*)>(ns|ps))?")


@dataclass(frozen=True, slots=True)
class Strategy:
    """A rule for the whole course.

    Attributes
    ----------
    name : str
        As written.
    plan : tuple of int
        0 for ns and 1 for ps at sessions 1, 2, ...; the last entry holds from there on.
    """

    name: str
    plan: tuple[int, ...]

    @property
    def begins(self) -> int:
        """The session from which its last regime holds: 1, or that of the change."""
        return len(self.plan)

    @property
    def words(self) -> str:
        """The rule in words."""
        first, last = REGIMES[self.plan[0]], REGIMES[self.plan[-1]]
        if first == last:
            return f"always {first}"
        return f"{first} for the first {len(self.plan) - 1} session(s), then {last}"


@dataclass(frozen=True, slots=True)
class Settings:
    """What was asked."""

    plans: tuple[Strategy, ...]
    horizon: int
    margin: float
    level: float
    replicates: int
    seed: int

    @property
    def names(self) -> tuple[str, ...]:
        """The strategies as written."""
        return tuple(plan.name for plan in self.plans)

    @property
    def pairs(self) -> dict[str, tuple[int, int]]:
        """Places of left and right by key."""
        return pair_keys(self.names)

    def shortest(self, left: int, right: int) -> int:
        """Return the first session at which both strategies are what their names say."""
        return max(2, self.plans[left].begins, self.plans[right].begins)


def read_strategies(names: Sequence[str], *, horizon: int) -> tuple[Strategy, ...]:
    """Return the strategies, or raise RequestError naming the one that cannot be used.

    Examples
    --------
    >>> [strategy.plan for strategy in read_strategies(["ns", "ns:2>ps"], horizon=15)]
    [(0,), (0, 0, 1)]
    """
    if isinstance(names, str):
        raise RequestError(
            f"strategies is the text {names!r}.", 'Give a sequence, for example ("ns", "ps").'
        )
    given = check_kind(names, Iterable, name="strategies", give='a sequence, as ("ns", "ps")')
    wanted = [str(name).strip() for name in given]
    if len(wanted) < 2 or len(set(wanted)) < len(wanted):
        raise RequestError(
            f"The strategies {', '.join(wanted) or '(none)'} do not make a comparison.",
            "Give at least two different ones.",
        )
    return tuple(read_strategy(name, horizon) for name in wanted)


def read_strategy(name: str, horizon: int) -> Strategy:
    """Return the strategy written as ``name``, or raise RequestError."""
    check_kind(name, str, name="strategy", give='a text, as "ns" or "ns:4>ps"')
    found = PATTERN.fullmatch(name)
    if found is None or found[1] == found[3]:
        raise RequestError(
            f"The strategy {name!r} cannot be read.",
            'Write "ns", "ps", or "ns:4>ps" for ns in the first 4 sessions and then ps.',
        )
    first = REGIMES.index(found[1])
    if found[2] is None:
        return Strategy(name, (first,))
    sessions = int(found[2])
    if sessions >= horizon:
        raise RequestError(
            f"The strategy {name!r} changes after session {sessions}, not before the horizon of "
            f"{horizon}.",
            "Use an earlier change or a later horizon.",
        )
    return Strategy(name, (first,) * sessions + (1 - first,))


def pair_keys(names: Sequence[str]) -> dict[str, tuple[int, int]]:
    """Return ``"later - earlier"`` for every pair, with the places of left and right.

    Examples
    --------
    >>> list(pair_keys(["ns", "ps", "ns:4>ps"]))
    ['ps - ns', 'ns:4>ps - ns', 'ns:4>ps - ps']
    """
    return {
        f"{names[left]} - {names[right]}": (left, right)
        for left in range(len(names))
        for right in range(left)
    }
