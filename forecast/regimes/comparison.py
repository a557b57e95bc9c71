"""What a comparison of regimes hands back, and the plain words for it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from forecast.errors import RequestError

if TYPE_CHECKING:
    import pandas as pd

    from forecast.regimes.diagnostics import Diagnostics
    from forecast.regimes.sensitivity import Sensitivity
    from forecast.regimes.split_trial import SplitTrial

NO_ERROR = 1e-9  # sessions
Verdict = Literal["saves", "costs", "equivalent", "cannot say"]


@dataclass(frozen=True, slots=True)
class Contrast:
    """One difference, left strategy minus right.

    Attributes
    ----------
    estimate : float or None
        None where it cannot be estimated.
    interval : tuple of float, or of None
        At ``level``.
    level : float
    error : float or None
        Standard error: standard deviation over bootstrap replicates.
    """

    estimate: float | None
    interval: tuple[float, float] | tuple[None, None]
    level: float
    error: float | None = None

    @classmethod
    def missing(cls, level: float) -> Contrast:
        """Return the contrast that cannot be estimated."""
        return cls(None, (None, None), level)

    @classmethod
    def normal(cls, estimate: float, error: float, level: float) -> Contrast:
        """Return the contrast with its normal interval."""
        from statistics import NormalDist

        reach = NormalDist().inv_cdf((1 + level) / 2) * error
        return cls(estimate, (estimate - reach, estimate + reach), level, error)

    def at_level(self, level: float) -> tuple[float, float] | tuple[None, None]:
        """Return the normal interval at another level."""
        if self.estimate is None or self.error is None:
            return (None, None)
        return Contrast.normal(self.estimate, self.error, level).interval

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"estimate": self.estimate, "interval": list(self.interval), "level": self.level}


@dataclass(frozen=True, slots=True)
class NaiveReading:
    """What a plain reading of the log says, and why it differs.

    Attributes
    ----------
    name : str
    difference : dict of str to Contrast
    why : str
        One sentence.
    """

    name: str
    difference: Mapping[str, Contrast]
    why: str


@dataclass(frozen=True, slots=True)
class Supported:
    """The answer up to the last session that the log supports, when the one asked is beyond."""

    horizon: int
    contrast: Contrast
    verdict: Verdict


def verdict_of(contrast: Contrast, margin: float) -> Verdict:
    """Return the verdict code of a difference in sessions.

    ``saves`` and ``costs`` by the 95 % interval, ``equivalent`` by the 90 % interval inside plus
    and minus the margin, whatever level the contrast itself is shown at.

    Examples
    --------
    >>> verdict_of(Contrast.normal(-1.0, 0.3, 0.95), margin=1.0)
    'saves'
    >>> verdict_of(Contrast.normal(-0.2, 0.3, 0.95), margin=1.0)
    'equivalent'
    >>> verdict_of(Contrast.missing(0.95), margin=1.0)
    'cannot say'
    """
    low, high = contrast.at_level(0.95)
    if low is None or high is None or without_width(contrast):
        return "cannot say"
    if high < 0:
        return "saves"
    if low > 0:
        return "costs"
    return "equivalent" if within_margin(contrast, margin) else "cannot say"


def without_width(contrast: Contrast) -> bool:
    """Return whether the resamples gave one and the same number, but for rounding."""
    return contrast.error is not None and contrast.error < NO_ERROR


def within_margin(contrast: Contrast, margin: float) -> bool:
    """Return whether the 90 % interval lies inside plus and minus the margin."""
    low, high = contrast.at_level(0.9)
    return low is not None and high is not None and -margin < low and high < margin


def words_for(key: str, contrast: Contrast, verdict: str, *, horizon: int, margin: float) -> str:
    """Return the sentence for a person."""
    left, right = key.split(" - ")
    if contrast.estimate is None:
        return (
            f"Cannot say whether {left} needs fewer sessions than {right} up to session {horizon}: "
            "too few courses followed one of them that far."
        )
    low, high = contrast.at_level(0.95)
    assert low is not None  # an estimate always comes with its error
    assert high is not None
    span = f"{_sessions(contrast.estimate)} (95 % interval {_span(low, high)})"
    start = f"Up to session {horizon}, {left} against {right}: {span}."
    if verdict == "saves":
        return f"{start} {left} saves sessions."
    if verdict == "costs":
        return f"{start} {left} costs sessions."
    if verdict == "equivalent":
        return f"{start} Up to there any difference is below {margin:g} session(s)."
    if high < 0 or low > 0 or without_width(contrast):  # the interval alone would have spoken
        return f"{start} No verdict is given, for reasons in the notes."
    return f"{start} The log cannot say which is better: it fits anything in that interval."


def _sessions(value: float) -> str:
    return f"{abs(value):.1f} session(s) {'fewer' if value < 0 else 'more'}"


def _span(low: float, high: float) -> str:
    if high < 0:
        return f"{-high:.1f} to {-low:.1f} fewer"
    if low > 0:
        return f"{low:.1f} to {high:.1f} more"
    return f"{-low:.1f} fewer to {high:.1f} more"


@dataclass(frozen=True, slots=True, eq=False)
class RegimeComparison:
    """Strategies compared as a trial would have compared them, with everything to doubt it by.

    Keys of the mappings are ``"later - earlier"`` in the order of ``strategies``; values are the
    left strategy minus the right, in sessions, so that negative means fewer.

    Attributes
    ----------
    strategies : tuple of str
    horizon : int
        Sessions up to which the mean is counted.
    margin, level : float
    difference : dict of str to Contrast
        Difference in mean sessions up to the horizon (a course not cleared by then counts as
        the horizon), in the clinic's own case mix.
    cleared_by : dict of int to dict of str to Contrast
        Difference in the share cleared by 5, 10 and 15 sessions.
    by_ink : dict of str to dict of str to Contrast
        ``difference`` within each ink group.
    unadjusted : dict of str to Contrast
        The same curves without weights.
    naive : tuple of NaiveReading
        What plain readings say, the unadjusted one among them.
    second_route : dict of str to Contrast
        The same difference by the parametric g-formula.
    verdict : dict of str to str
        "saves", "costs", "equivalent" or "cannot say".
    supported : dict of str to Supported
        The same difference up to the last session, at most the horizon, that both strategies
        reach with enough courses.
    words : dict of str to str
        A sentence per pair; where the horizon is out of reach, one more on what is within it.
    curves : DataFrame
        ``strategy, group, session, at_risk, survival, low, high``; up to where there is support.
    diagnostics : Diagnostics
    sensitivity : Sensitivity or None
        None where nothing could be estimated.
    target_trial : tuple of (str, str)
        The trial that the comparison stands in for, item by item.
    split : SplitTrial or None
        The paired analysis, when the log holds halves of one tattoo.
    notes : tuple of str
    rows : DataFrame
        The weighted rows, pseudonymous.
    """

    strategies: tuple[str, ...]
    horizon: int
    margin: float
    level: float
    difference: Mapping[str, Contrast]
    cleared_by: Mapping[int, Mapping[str, Contrast]]
    by_ink: Mapping[str, Mapping[str, Contrast]]
    unadjusted: Mapping[str, Contrast]
    naive: tuple[NaiveReading, ...]
    second_route: Mapping[str, Contrast]
    verdict: Mapping[str, str]
    supported: Mapping[str, Supported]
    words: Mapping[str, str]
    curves: pd.DataFrame
    diagnostics: Diagnostics
    sensitivity: Sensitivity | None
    target_trial: tuple[tuple[str, str], ...]
    split: SplitTrial | None
    notes: tuple[str, ...]
    rows: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """Return every contrast as one row.

        Columns ``comparison, quantity, group, estimate, low, high, level, verdict``; quantities
        are in sessions or, for ``cleared by``, shares.
        """
        import pandas as pd

        rows = []
        for quantity, group, contrasts in self._tables():
            for key, contrast in contrasts.items():
                shown = self.verdict[key] if quantity == "sessions" and not group else None
                values = (contrast.estimate, *contrast.interval, contrast.level, shown)
                rows.append((key, quantity, group or "all", *values))
        names = ["comparison", "quantity", "group", "estimate", "low", "high", "level", "verdict"]
        frame = pd.DataFrame(rows, columns=names)
        numbers = ["estimate", "low", "high", "level"]
        return frame.astype(dict.fromkeys(numbers, "float64"))

    def _tables(self) -> list[tuple[str, str, Mapping[str, Contrast]]]:
        tables: list[tuple[str, str, Mapping[str, Contrast]]] = [
            ("sessions", "", self.difference),
            *((f"cleared by {n}", "", table) for n, table in self.cleared_by.items()),
            *(("sessions", group, table) for group, table in self.by_ink.items()),
            ("sessions, g-formula", "", self.second_route),
            *((f"sessions, {one.name}", "", one.difference) for one in self.naive),
        ]
        if self.sensitivity is not None:
            tables.append(("weeks", "", self.sensitivity.weeks))
            tables.append(("sessions, operator adjusted", "", self.sensitivity.operator))
        return tables

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; numbers that are not finite become None."""

        def plain(table: Mapping[str, Contrast]) -> dict[str, Any]:
            return {key: contrast.to_dict() for key, contrast in table.items()}

        found = {
            "difference": plain(self.difference),
            "unadjusted": plain(self.unadjusted),
            "verdict": dict(self.verdict),
            "horizon": self.horizon,
            "notes": list(self.notes),
            "margin": self.margin,
            "words": dict(self.words),
            "supported": {
                key: {"horizon": one.horizon, "verdict": one.verdict} | one.contrast.to_dict()
                for key, one in self.supported.items()
            },
            "cleared_by": {str(n): plain(table) for n, table in self.cleared_by.items()},
            "by_ink": {group: plain(table) for group, table in self.by_ink.items()},
            "second_route": plain(self.second_route),
            "naive": [
                {"name": one.name, "difference": plain(one.difference), "why": one.why}
                for one in self.naive
            ],
            "diagnostics": self.diagnostics.to_dict(),
            "sensitivity": None if self.sensitivity is None else self.sensitivity.to_dict(),
            "target_trial": dict(self.target_trial),
            "split_trial": None if self.split is None else self.split.to_dict(),
        }
        clean: dict[str, Any] = _finite(found)
        return clean

    def write(self, folder: str | Path) -> list[Path]:
        """Write everything another statistician needs to redo the comparison; return the files.

        CSV files ``comparison, curves, weighted_rows, weights, balance, overlap, followers`` and
        ``target_trial.txt``. Courses and clients appear under new numbers, never their ids.
        """
        target = Path(folder)
        if target.exists() and not target.is_dir():
            raise RequestError(f"{target} is a file.", "Name a folder.")
        target.mkdir(parents=True, exist_ok=True)
        tables = {
            "comparison": self.to_frame(),
            "curves": self.curves,
            "weighted_rows": self.rows,
            "weights": self.diagnostics.weights.reset_index(),
            "balance": self.diagnostics.balance,
            "overlap": self.diagnostics.overlap,
            "followers": self.diagnostics.at_risk.reset_index(),
        }
        if self.sensitivity is not None:
            tables["tipping"] = self.sensitivity.tipping
        paths = []
        for name, table in tables.items():
            paths.append(target / f"{name}.csv")
            table.to_csv(paths[-1], index=False, lineterminator="\n", float_format="%.6g")
        paths.append(target / "target_trial.txt")
        lines = [f"{item}: {text}" for item, text in self.target_trial]
        text = "\n".join([*lines, "", *self.words.values(), "", *self.notes, ""])
        paths[-1].write_text(text, encoding="utf-8", newline="\n")
        return paths


def _finite(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
