"""What a comparison of regimes hands back, and the plain words for it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._notes import Note, notes_as_json
from forecast.errors import RequestError
from forecast.regimes.verdict import Contrast, NaiveReading, Supported

if TYPE_CHECKING:
    import pandas as pd

    from forecast.regimes.diagnostics import Diagnostics
    from forecast.regimes.sensitivity import Sensitivity
    from forecast.regimes.split_trial import SplitTrial


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
    reasons : dict of str to tuple of str
        Codes of what keeps a verdict back, see `reasons_for`; empty where one is given.
    notes : tuple of Note
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
    reasons: Mapping[str, tuple[str, ...]]
    supported: Mapping[str, Supported]
    words: Mapping[str, str]
    curves: pd.DataFrame
    diagnostics: Diagnostics
    sensitivity: Sensitivity | None
    target_trial: tuple[tuple[str, str], ...]
    split: SplitTrial | None
    notes: tuple[Note, ...]
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
            "reasons": {key: list(codes) for key, codes in self.reasons.items()},
            **notes_as_json(self.notes),
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
        text = "\n".join([*lines, "", *self.words.values(), "", *map(str, self.notes), ""])
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
