"""What a comparison of regimes hands back, and the plain words for it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._notes import Note, notes_as_json
from forecast.errors import RequestError
from forecast.regimes.diagnostics import Answers, Diagnostics
from forecast.regimes.trial import Settings, Trial
from forecast.regimes.verdict import (
    DETECTABLE,
    LARGEST_IMBALANCE,
    LARGEST_WEIGHT,
    LEAST_AT_RISK,
    LEAST_CLEARED,
    LEAST_CLIENTS,
    LEAST_EFFECTIVE,
    LEAST_EFFECTIVE_SHARE,
    LEAST_FOLLOWERS,
    MANY_UNCLEARED,
    WISHED_FOLLOWERS,
    Contrast,
    NaiveReading,
    Supported,
    within_margin,
    without_width,
)
from forecast.regimes.weighted_curves import TRUNCATE

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog
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


def target_trial(trial: Trial | None, settings: Settings) -> tuple[tuple[str, str], ...]:
    """Return the protocol of the trial, item and text."""
    window = "while both regimes were in use"
    if trial is not None:
        window = f"from {trial.window[0]} to {trial.window[1]}, {window}"
    rules = "; ".join(f"{strategy.name}: {strategy.words}" for strategy in settings.plans)
    return (
        ("Eligible", f"Courses that want clearing, not begun elsewhere, begun {window}."),
        ("Strategies", f"{rules}."),
        ("Assignment", "As if at random, given what the clinic knew before each session."),
        ("Time zero", "The first session."),
        ("Outcome", "Cleared, as recorded in the courses table, at the last session."),
        (
            "Estimand",
            f"Difference in mean sessions up to session {settings.horizon} (a course not cleared "
            "by then counts in full), and in the share cleared by 5, 10 and 15 sessions, in the "
            "case mix of the eligible courses, if nobody stopped and all kept to the strategy.",
        ),
        (
            "Analysis",
            "Each course is followed in every strategy until it departs from it. Weights from "
            "logistic regressions of the regime at each session and of stopping after it, on the "
            "ink and client attributes, date, weeks since the last session, reaction, fading so "
            f"far and whether it stalled; stabilised, cut off at their {100 * TRUNCATE:g} % point. "
            f"Intervals from {settings.replicates} resamples of clients.",
        ),
    )


def split_protocol(settings: Settings, n_pairs: int) -> tuple[tuple[str, str], ...]:
    """Return the protocol of the split-tattoo trial in the log, item and text."""
    return (
        ("Eligible", f"{n_pairs} tattoo(s) with one half always ns and the other always ps."),
        ("Strategies", "ns: always ns; ps: always ps."),
        ("Assignment", "As the clinic made it; whether at random is not in the log."),
        ("Time zero", "The first session of each half."),
        ("Outcome", "Cleared, as recorded in the courses table, at the last session."),
        (
            "Estimand",
            f"Difference in mean sessions up to session {settings.horizon} between the halves (a "
            "half not cleared by then counts in full), if nobody stopped.",
        ),
        (
            "Analysis",
            "Life tables of the halves, those of stopped tattoos censored. Interval from "
            f"{settings.replicates} resamples of clients, both halves together.",
        ),
    )


def notes_for(
    log: OutcomeLog,
    trial: Trial,
    diagnostics: Diagnostics,
    found: Answers,
    verdict: Mapping[str, str],
    settings: Settings,
) -> tuple[Note, ...]:
    """Return what a reader must know before believing the answer."""
    counts = diagnostics.counts
    kept = {name: counts[name] for name in ("courses", "clients", "cleared", "stopped", "ongoing")}
    notes = [Note("regimes.eligible", "info", kept)]
    if diagnostics.left_out:
        listed = [f"{n} {why}" for why, n in diagnostics.left_out.items()]
        notes.append(Note("regimes.left_out", "info", {"reasons": listed}))
    notes += _support_notes(diagnostics, settings)
    notes += _weight_notes(diagnostics)
    notes += _follower_notes(diagnostics, settings)
    notes += _fading_notes(trial)
    notes += _mixed_up_notes(log, diagnostics)
    open_ = {name: share for name, share in found.uncleared.items() if share > MANY_UNCLEARED}
    if open_:
        shares = [
            Note("regimes.share_under", "info", {"share": share, "strategy": name})
            for name, share in open_.items()
        ]
        values = {"horizon": settings.horizon, "shares": shares}
        notes.append(Note("regimes.uncleared", "caution", values))
    notes += _ink_notes(found)
    for key, contrast in found.difference.items():
        second = found.second_route[key]
        notes += _pair_notes(key, contrast, second, verdict[key], settings.margin)
    return tuple(notes)


def _support_notes(diagnostics: Diagnostics, settings: Settings) -> list[Note]:
    notes, names, horizon = [], settings.names, settings.horizon
    for name in names:
        followers = diagnostics.followers[name]
        reach = diagnostics.supported_to[name]
        values = {"strategy": name, "horizon": horizon, "followers": followers}
        if reach < horizon:
            values |= {"at_risk": int(diagnostics.at_risk[name].iloc[-1]), "reach": reach}
            values |= {"least_at_risk": LEAST_AT_RISK, "least": LEAST_FOLLOWERS}
            notes.append(Note("regimes.out_of_reach", "serious", values))
        elif followers < WISHED_FOLLOWERS:
            notes.append(Note("regimes.few_followers", "caution", values))
        if diagnostics.cleared[name] < LEAST_CLEARED:
            few = {"strategy": name, "cleared": diagnostics.cleared[name], "horizon": horizon}
            notes.append(Note("regimes.few_cleared", "serious", {**few, "least": LEAST_CLEARED}))
    for key, (left, right) in settings.pairs.items():
        common = min(diagnostics.supported_to[names[left]], diagnostics.supported_to[names[right]])
        if settings.shortest(left, right) <= common < horizon:
            notes.append(Note("regimes.ask_again", "info", {"pair": key, "horizon": common}))
    return notes


def _weight_notes(diagnostics: Diagnostics) -> list[Note]:
    notes = []
    for name, row in diagnostics.weights.iterrows():
        if not row["n"]:
            continue
        values = {
            "strategy": str(name),
            "cut": round(row["share_truncated"] * row["n"]),
            "rows": int(row["n"]),
            "limit": float(row["limit"]),
            "largest": float(row["largest_before"]),
            "worth": float(diagnostics.effective[str(name)]),
        }
        notes.append(Note("regimes.weights", "info", values))
        if row["largest_before"] > LARGEST_WEIGHT:
            large = {"strategy": str(name), "limit": LARGEST_WEIGHT}
            notes.append(Note("regimes.large_weight", "caution", large))
        if row["effective"] / row["n"] < LEAST_EFFECTIVE_SHARE:
            notes.append(Note("regimes.few_carry_weight", "caution", {"strategy": str(name)}))
    after = diagnostics.balance["after"].abs()
    if (after > LARGEST_IMBALANCE).any():
        worst = diagnostics.balance.loc[after.idxmax()]
        values = {
            "n": int((after > LARGEST_IMBALANCE).sum()),
            "of": len(after),
            "limit": LARGEST_IMBALANCE,
            "largest": float(worst["after"]),
            "covariate": str(worst["covariate"]),
            "strategy": str(worst["strategy"]),
            "session": int(worst["session"]),
        }
        notes.append(Note("regimes.imbalance", "caution", values))
    return notes


def _follower_notes(diagnostics: Diagnostics, settings: Settings) -> list[Note]:
    """Say whose followers are too few for a verdict, as courses and as clients."""
    notes = []
    for plan in settings.plans:
        name, n_clients = plan.name, diagnostics.clients[plan.name]
        worth, n_courses = diagnostics.effective[name], int(diagnostics.at_risk[name][plan.begins])
        values: dict[str, Any] = {"strategy": name, "worth": float(worth), "least": LEAST_EFFECTIVE}
        if worth < LEAST_EFFECTIVE and plan.begins > 1:
            values |= {"courses": n_courses, "session": plan.begins}
            notes.append(Note("regimes.few_changed", "serious", values))
        elif worth < LEAST_EFFECTIVE:
            notes.append(Note("regimes.few_effective", "serious", values))
        if n_clients < LEAST_CLIENTS:
            few = {"strategy": name, "clients": n_clients, "least": LEAST_CLIENTS}
            notes.append(Note("regimes.few_clients", "serious", few))
    return notes


def _ink_notes(found: Answers) -> list[Note]:
    """Name the ink groups in which a pair cannot be compared though it can over all."""
    notes = []
    for key, contrast in found.difference.items():
        thin = [name for name, table in found.by_ink.items() if table[key].estimate is None]
        if contrast.estimate is not None and thin:
            values = {"pair": key, "inks": thin, "at_risk": LEAST_AT_RISK, "least": LEAST_FOLLOWERS}
            notes.append(Note("regimes.thin_inks", "caution", values))
    return notes


def _mixed_up_notes(log: OutcomeLog, diagnostics: Diagnostics) -> list[Note]:
    """Say what else changes with the regime: hands and wavelengths."""
    notes = []
    if diagnostics.operators_apart:
        notes.append(Note("regimes.operators_apart", "serious"))
    emitted: dict[str, set[str]] = {"ns": set(), "ps": set()}
    for regime, text in zip(log.lasers["regime"], log.lasers["wavelengths_nm"], strict=True):
        if regime in emitted and isinstance(text, str):
            emitted[regime] |= set(text.split(";"))
    more = {
        "ps": sorted(emitted["ps"] - emitted["ns"], key=int),
        "ns": sorted(emitted["ns"] - emitted["ps"], key=int),
    }
    if all(emitted.values()) and any(more.values()):
        parts = [
            Note("regimes.also_has", "info", {"regime": regime, "wavelengths": listed})
            for regime, listed in more.items()
            if listed
        ]
        notes.append(Note("regimes.lasers_differ", "caution", {"parts": parts}))
    return notes


def _fading_notes(trial: Trial) -> list[Note]:
    graded = float(np.mean(trial.graded))
    if graded == 0:
        return [Note("regimes.no_gradings", "serious")]
    return [Note("regimes.few_gradings", "caution", {"share": graded})] if graded < 0.5 else []


def _pair_notes(
    key: str, contrast: Contrast, second: Contrast, verdict: str, margin: float
) -> list[Note]:
    notes: list[Note] = []
    if contrast.estimate is None or contrast.error is None:
        return notes
    if verdict in ("saves", "costs") and within_margin(contrast, margin):
        notes.append(Note("regimes.below_margin", "info", {"pair": key, "margin": margin}))
    if without_width(contrast):
        notes.append(Note("regimes.zero_width", "serious", {"pair": key}))
    elif verdict == "cannot say":
        settles = {"pair": key, "sessions": DETECTABLE * contrast.error}
        notes.append(Note("regimes.settles", "info", settles))
    if second.estimate is not None and second.error is not None:
        gap = abs(contrast.estimate - second.estimate)
        agrees = gap <= 1.96 * (contrast.error**2 + second.error**2) ** 0.5
        code, severity = ("agrees", "info") if agrees else ("disagrees", "serious")
        values = {"pair": key, "sessions": second.estimate}
        notes.append(Note(f"regimes.second_route_{code}", severity, values))  # type: ignore[arg-type]
    return notes
