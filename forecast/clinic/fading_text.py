"""The fading curves in words: doubts that travel with them, and the page for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from forecast.clinic.fading import FadingCurves
    from forecast.clinic.fading_fit import FadingFit
    from forecast.clinic.fading_rows import FadingRows

__all__ = ["LIKELY", "fading_notes", "fading_text"]

SHORT = {"all": "all inks"}
FEW_COURSES = 30
MOST_NAMED = 10
LIKELY = 0.5  # chance from which a course is said to level off


def fading_notes(rows: FadingRows, fit: FadingFit, gains: Mapping[float, float]) -> tuple[str, ...]:
    """Return what has to be known beside the curves."""
    notes = [
        f"From {len(rows.table)} gradings of {len(rows.courses)} courses of "
        f"{fit.fitted.n_clusters} clients; {fit.fitted.n_bounded} at the ends of the scale count "
        "as bounds."
    ]
    if rows.left_out:
        reasons = "; ".join(f"{n} {why}" for why, n in rows.left_out.items())
        notes.append(f"Courses left out: {reasons}.")
    notes += regime_notes(rows)
    if rows.unit > 1:
        notes.append(
            f"All gradings are multiples of {rows.unit:g} %: each counts as the range it was "
            "rounded from."
        )
    if fit.remnant > 0:
        gain = gains[fit.remnant] - gains[0.0]
        notes.append(
            f"The curves flatten: about {100 * fit.remnant:g} % of the ink is taken never to go "
            f"(log-likelihood higher by {gain:.1f}); shares are of the ink that can go."
        )
    levelled = [name for name, chance in fit.levelled.items() if chance > LIKELY]
    if levelled:
        more = ", ..." if len(levelled) > MOST_NAMED else ""
        notes.append(
            f"{len(levelled)} of {len(rows.courses)} courses level{'s' * (len(levelled) == 1)} off "
            f"with ink left that no laser here seems to take ({', '.join(levelled[:MOST_NAMED])}"
            f"{more}): their late sessions count neither for nor against a regime."
        )
    few = [name for name in rows.regimes if (rows.courses[name] > 0).sum() < FEW_COURSES]
    notes += [
        f"Fewer than {FEW_COURSES} courses had a {name} session: its curve is uncertain."
        for name in few
    ]
    if not fit.settled:
        notes.append("The fit did not settle; take the curves as rough.")
    return tuple(notes)


def regime_notes(rows: FadingRows) -> list[str]:
    """Return what limits the comparison of regimes."""
    if not rows.regimes:
        return ["The log has no sessions: regimes and intervals cannot be told apart."]
    if len(rows.regimes) == 1:
        return [f"All sessions are {rows.regimes[0]}: there is nothing to compare."]
    if rows.operators_apart:
        return [
            "No operator fired both regimes often enough: who treated and what was fired cannot "
            "be told apart."
        ]
    return []


def fading_text(fading: FadingCurves) -> str:
    """Return the answer for people."""
    lines = ["A session removes this share of the remaining ink:"]
    for regime, ink_group, *ends, courses in fading.shares.to_numpy().tolist():
        name = "" if regime == "all" else f"{regime}, "
        share, low, high = map(percent, ends)
        group = SHORT.get(ink_group, ink_group)
        lines.append(f"  {name}{group}: {share} ({low} to {high}), {courses} courses")
    if len(fading.differences):
        lines += ["", "ps less ns, in percentage points of the remaining ink per session:"]
    for name, *points in fading.differences.to_numpy().tolist():
        gap, low, high = (100 * one for one in points)
        lines.append(f"  {SHORT.get(name, name)}: {gap:+.1f} ({low:+.1f} to {high:+.1f})")
    lines += ["", *split_lines(fading), *spacing_lines(fading), *stall_lines(fading)]
    lines += grader_lines(fading)
    return "\n".join(
        [*lines, "", f"- {fading.assumption}", *(f"- {note}" for note in fading.notes)]
    )


def percent(share: float, digits: int = 1) -> str:
    """Return a share as a percentage."""
    return f"{100 * share:.{digits}f} %"


def split_lines(fading: FadingCurves) -> list[str]:
    """Return what split tattoos say."""
    if fading.split is None:
        return []
    low, high = fading.split.share.interval
    return [
        f"{fading.split.n_pairs} split tattoos, within pairs: ps less ns "
        f"{100 * fading.split.share.estimate:+.1f} ({100 * low:+.1f} to {100 * high:+.1f}) points "
        "of the remaining ink per session."
    ]


def spacing_lines(fading: FadingCurves) -> list[str]:
    """Return what intervals go with."""
    spacing = fading.spacing
    if spacing is None:
        return ["Spacing: the log cannot tell."]
    low, high = spacing.interval
    low_weeks, high_weeks = spacing.weeks_interval
    return [
        f"Spacing: {spacing.answer}",
        f"  {spacing.difference:+.1f} sessions ({low:+.1f} to {high:+.1f}), "
        f"{spacing.weeks_difference:+.0f} weeks ({low_weeks:+.0f} to {high_weeks:+.0f}).",
        f"  {spacing.caution}",
    ]


def stall_lines(fading: FadingCurves) -> list[str]:
    """Return which running courses have stopped fading, and how far to trust that."""
    stalls = fading.stalls
    low, high = stalls.false_alarm_interval
    trust = "from the model, too few courses have cleared to count false alarms"
    if stalls.learnt and stalls.false_alarms is not None:
        trust = (
            f"false alarms: {percent(stalls.false_alarms, 0)} of {stalls.n_cleared} courses that "
            f"cleared ({percent(low, 0)} to {percent(high, 0)})"
        )
    lines = [f"Stalls: {len(stalls.flagged)} running course(s) flagged; {trust}."]
    for row in stalls.flagged.itertuples():
        lines.append(
            f"  {row.course_id} after session {row.session}: {row.faded:.0f} % faded, its own "
            f"earlier gradings let expect {row.expected:.0f} %"
        )
    return lines


def grader_lines(fading: FadingCurves) -> list[str]:
    """Return how graders differ and agree."""
    graders = fading.graders
    lines = ["Graders, by the log's own ids:", *(f"  {note}" for note in graders.notes)]
    if graders.icc is not None:
        lines.append(f"  ICC {graders.icc:.2f} over {graders.n_twice} double gradings.")
    for row in graders.pairs.itertuples():
        lines.append(
            f"  {row.first} and {row.second}: ICC {row.icc:.2f} ({row.low:.2f} to {row.high:.2f}), "
            f"weighted kappa {row.kappa:.2f}, {row.occasions} gradings"
        )
    return lines
