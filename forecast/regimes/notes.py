"""The trial that a comparison stands in for, and what to doubt about the answer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from forecast.regimes.comparison import Contrast, within_margin, without_width
from forecast.regimes.diagnostics import (
    LEAST_AT_RISK,
    LEAST_CLEARED,
    LEAST_CLIENTS,
    LEAST_EFFECTIVE,
    LEAST_FOLLOWERS,
    WISHED_FOLLOWERS,
    Diagnostics,
)
from forecast.regimes.tables import Answers, Settings
from forecast.regimes.trial import Trial
from forecast.regimes.weighted_curves import TRUNCATE

if TYPE_CHECKING:
    from forecast.log import OutcomeLog

LARGEST_WEIGHT = 20.0
LEAST_EFFECTIVE_SHARE = 0.3
LARGEST_IMBALANCE = 0.1
MANY_UNCLEARED = 0.2
DETECTABLE = 2.8  # standard errors: 1.96 for the interval and 0.84 for a chance of 8 in 10


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
) -> tuple[str, ...]:
    """Return what a reader must know before believing the answer."""
    counts = diagnostics.counts
    notes = [
        f"{counts['courses']} eligible courses of {counts['clients']} clients: "
        f"{counts['cleared']} cleared, {counts['stopped']} stopped, {counts['ongoing']} ongoing."
    ]
    if diagnostics.left_out:
        listed = "; ".join(f"{n} {why}" for why, n in diagnostics.left_out.items())
        notes.append(f"Left out: {listed}.")
    notes += _support_notes(diagnostics, settings)
    notes += _weight_notes(diagnostics)
    notes += _follower_notes(diagnostics, settings)
    notes += _fading_notes(trial)
    notes += _mixed_up_notes(log, diagnostics)
    open_ = {name: share for name, share in found.uncleared.items() if share > MANY_UNCLEARED}
    if open_:
        listed = ", ".join(f"{100 * share:.0f} % under {name}" for name, share in open_.items())
        notes.append(
            f"After session {settings.horizon} not yet cleared: {listed}. What they still need is "
            "not in the difference, which may grow with a later horizon."
        )
    notes += _ink_notes(found)
    for key, contrast in found.difference.items():
        second = found.second_route[key]
        notes += _pair_notes(key, contrast, second, verdict[key], settings.margin)
    return tuple(notes)


def _support_notes(diagnostics: Diagnostics, settings: Settings) -> list[str]:
    notes, names, horizon = [], settings.names, settings.horizon
    for name in names:
        followers = diagnostics.followers[name]
        at_risk = int(diagnostics.at_risk[name].iloc[-1])
        reach = diagnostics.supported_to[name]
        if reach < horizon:
            notes.append(
                f"{name}: cannot say up to session {horizon}. {at_risk} course(s) still follow it "
                f"there ({LEAST_AT_RISK} needed) and {followers} followed it to the end "
                f"({LEAST_FOLLOWERS} needed); it can be followed up to session {reach}."
            )
        elif followers < WISHED_FOLLOWERS:
            notes.append(f"{name}: only {followers} courses followed it to session {horizon}.")
        if diagnostics.cleared[name] < LEAST_CLEARED:
            notes.append(
                f"{name}: {diagnostics.cleared[name]} course(s) cleared before session {horizon}; "
                f"{LEAST_CLEARED} are needed for a verdict."
            )
    for key, (left, right) in settings.pairs.items():
        common = min(diagnostics.supported_to[names[left]], diagnostics.supported_to[names[right]])
        if settings.shortest(left, right) <= common < horizon:
            notes.append(f"{key}: ask again with horizon={common} for what the log supports.")
    return notes


def _weight_notes(diagnostics: Diagnostics) -> list[str]:
    notes = []
    for name, row in diagnostics.weights.iterrows():
        if not row["n"]:
            continue
        cut = round(row["share_truncated"] * row["n"])
        notes.append(
            f"{name}: {cut} of {int(row['n'])} weights cut off at {row['limit']:.1f} "
            f"(largest before {row['largest_before']:.1f}); worth "
            f"{diagnostics.effective[str(name)]:.0f} courses."
        )
        if row["largest_before"] > LARGEST_WEIGHT:
            notes.append(
                f"{name}: a weight above {LARGEST_WEIGHT:g} says that some courses had almost no "
                "like among its followers."
            )
        if row["effective"] / row["n"] < LEAST_EFFECTIVE_SHARE:
            notes.append(f"{name}: few courses carry most of the weight.")
    after = diagnostics.balance["after"].abs()
    if (after > LARGEST_IMBALANCE).any():
        worst = diagnostics.balance.loc[after.idxmax()]
        notes.append(
            f"{int((after > LARGEST_IMBALANCE).sum())} of {len(after)} standardised differences "
            f"stay above {LARGEST_IMBALANCE:g} after weighting; the largest is "
            f"{worst['after']:.2f} ({worst['covariate']}, {worst['strategy']}, session "
            f"{worst['session']})."
        )
    return notes


def _follower_notes(diagnostics: Diagnostics, settings: Settings) -> list[str]:
    """Say whose followers are too few for a verdict, as courses and as clients."""
    notes = []
    for plan in settings.plans:
        name, n_clients = plan.name, diagnostics.clients[plan.name]
        worth, n_courses = diagnostics.effective[name], int(diagnostics.at_risk[name][plan.begins])
        if worth < LEAST_EFFECTIVE and plan.begins > 1:
            notes.append(
                f"{name}: {n_courses} course(s) were changed at session {plan.begins}, worth "
                f"{worth:.0f} after weighting; {LEAST_EFFECTIVE:.0f} are needed for a verdict. "
                "Those cleared or lost before the change say nothing of it."
            )
        elif worth < LEAST_EFFECTIVE:
            notes.append(
                f"{name}: worth {worth:.0f} courses after weighting; {LEAST_EFFECTIVE:.0f} are "
                "needed for a verdict."
            )
        if n_clients < LEAST_CLIENTS:
            notes.append(
                f"{name}: courses of {n_clients} client(s) followed it; {LEAST_CLIENTS} are needed "
                "for a verdict, since resamples of fewer clients say too little of chance."
            )
    return notes


def _ink_notes(found: Answers) -> list[str]:
    """Name the ink groups in which a pair cannot be compared though it can over all."""
    notes = []
    for key, contrast in found.difference.items():
        thin = [name for name, table in found.by_ink.items() if table[key].estimate is None]
        if contrast.estimate is not None and thin:
            notes.append(
                f"{key}: cannot say within {' and '.join(thin)}: fewer than {LEAST_AT_RISK} at "
                f"risk or {LEAST_FOLLOWERS} followers of one strategy there."
            )
    return notes


def _mixed_up_notes(log: OutcomeLog, diagnostics: Diagnostics) -> list[str]:
    """Say what else changes with the regime: hands and wavelengths."""
    notes = []
    if diagnostics.operators_apart:
        notes.append(
            "No operator used both regimes: what the regime does and what the hands do cannot be "
            "told apart, and no verdict is given."
        )
    emitted: dict[str, set[str]] = {"ns": set(), "ps": set()}
    for regime, text in zip(log.lasers["regime"], log.lasers["wavelengths_nm"], strict=True):
        if regime in emitted and isinstance(text, str):
            emitted[regime] |= set(text.split(";"))
    more = sorted(emitted["ps"] - emitted["ns"], key=int)
    fewer = sorted(emitted["ns"] - emitted["ps"], key=int)
    if all(emitted.values()) and (more or fewer):
        parts = [f"ps also has {', '.join(more)} nm"] if more else []
        parts += [f"ns also has {', '.join(fewer)} nm"] if fewer else []
        notes.append(
            f"The lasers differ in more than the pulse: {'; '.join(parts)}. For inks that take up "
            "those wavelengths the difference is of lasers, not of pulses."
        )
    return notes


def _fading_notes(trial: Trial) -> list[str]:
    graded = float(np.mean(trial.graded))
    if graded == 0:
        return [
            "No gradings: courses that were changed because they stalled cannot be told from the "
            "others, and the comparison is not to be trusted where that is done."
        ]
    if graded < 0.5:
        return [f"Only {100 * graded:.0f} % of the sessions have a grading after them."]
    return []


def _pair_notes(
    key: str, contrast: Contrast, second: Contrast, verdict: str, margin: float
) -> list[str]:
    notes: list[str] = []
    if contrast.estimate is None or contrast.error is None:
        return notes
    if verdict in ("saves", "costs") and within_margin(contrast, margin):
        notes.append(f"{key}: the effect is below the margin of {margin:g} session(s).")
    if without_width(contrast):
        notes.append(
            f"{key}: the interval has no width, since all resamples of clients give the same: no "
            "verdict is given."
        )
    elif verdict == "cannot say":
        notes.append(
            f"{key}: a log like this one settles a difference of about "
            f"{DETECTABLE * contrast.error:.1f} session(s), with a chance of 8 in 10; "
            "plan_comparison says how many more courses settle less."
        )
    if second.estimate is not None and second.error is not None:
        gap = abs(contrast.estimate - second.estimate)
        agrees = gap <= 1.96 * (contrast.error**2 + second.error**2) ** 0.5
        notes.append(
            f"{key}: the second route (g-formula) gives {second.estimate:+.2f} sessions; the two "
            + ("agree within their errors." if agrees else "DISAGREE beyond their errors.")
        )
    return notes
