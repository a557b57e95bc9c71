"""The trial that a comparison stands in for, and what to doubt about the answer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._notes import Note
from forecast.regimes.diagnostics import Diagnostics
from forecast.regimes.strategies import Settings
from forecast.regimes.tables import Answers
from forecast.regimes.trial import Trial
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
    within_margin,
    without_width,
)
from forecast.regimes.weighted_curves import TRUNCATE

if TYPE_CHECKING:
    from forecast.log import OutcomeLog


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
