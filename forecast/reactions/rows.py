"""One row per session with what followed it, rates from those rows, and signs of silence."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from forecast._notes import Note, Sentence, sentence
from forecast.causal.rates import exact_interval
from forecast.log import OutcomeLog, column

KINDS = column("reactions", "reaction").levels
OUTCOMES = ("any", "lasting", "transient", *KINDS)
SMALLEST_GROUP = 5  # sessions or courses, for a rate of their own
_HOW = ["treated_on", "regime", "laser_id", "fluence_j_cm2", "operator_id"]
_WHO = ["client_id", "skin_type", "inks", "ink_density", "started_on"]
_BY = ["all", "regime", "skin_type", "operator", "laser"]


def session_rows(log: OutcomeLog) -> pd.DataFrame:
    """Return one row per session: who, how, and one yes/no column per outcome.

    ``lasting`` and ``transient`` are sessions followed by a reaction recorded as lasting "yes"
    or "no"; a reaction without that entry counts only under ``any`` and its kind. Without a
    sessions table the rows follow ``sessions_given``, and how each was done is not known.
    """
    if len(log.sessions):
        rows = log.each_session[["course_id", "session_no", *_HOW]]
    else:
        given = log.courses["sessions_given"].to_numpy()
        rows = log.courses[["course_id"]].loc[log.courses.index.repeat(given)]
        rows = rows.assign(session_no=rows.groupby("course_id").cumcount() + 1)
        rows = rows.assign(**dict.fromkeys(_HOW))
    rows = rows.merge(log.courses[["course_id", *_WHO]], on="course_id", how="inner")
    kind, lasting = log.reactions["reaction"], log.reactions["lasting"]
    seen = log.reactions[["course_id", "after_session"]].assign(
        any=1,
        lasting=(lasting == "yes").astype(int),
        transient=(lasting == "no").astype(int),
        **{name: (kind == name).astype(int) for name in KINDS},
    )
    keys = ["course_id", "session_no"]
    seen = seen.rename(columns={"after_session": "session_no"})
    most = seen.groupby(keys, as_index=False)[list(OUTCOMES)].max()
    rows = rows.merge(most, on=keys, how="left").reset_index(drop=True)
    rows[list(OUTCOMES)] = rows[list(OUTCOMES)].fillna(0).astype(int)
    return rows


def operator_codes(rows: pd.DataFrame) -> dict[str, str]:
    """Return a code for each operator, "A" the one with most sessions.

    Names stay with the clinic: tables and figures carry only the codes.
    """
    counts = rows["operator_id"].value_counts()
    order = sorted(counts.index, key=lambda name: (-counts[name], name))
    return {name: _letters(at) for at, name in enumerate(order)}


def _letters(at: int) -> str:
    first, last = divmod(at, 26)
    return (_letters(first - 1) if first else "") + chr(65 + last)


def rate_table(
    rows: pd.DataFrame, codes: Mapping[str, str], *, level: float = 0.95
) -> pd.DataFrame:
    """Return rates per session and per course, overall and by regime, skin type, operator, laser.

    A course belongs to a regime, operator or laser when all its sessions do, else to "several".
    Groups of fewer than five have no rate.
    """
    from statsmodels.stats.proportion import proportion_confint

    sessions = rows.assign(
        all="all",
        regime=rows["regime"].fillna("not recorded"),
        operator=rows["operator_id"].map(codes).fillna("not recorded"),
        laser=rows["laser_id"].fillna("not recorded"),
    )
    by_course = sessions.groupby("course_id")
    numbers = sessions[_BY].apply(lambda names: names.factorize()[0])  # texts take far longer
    each = numbers.groupby(sessions["course_id"])
    one = each.min() == each.max()
    courses = by_course[_BY].first().where(one, "several").join(by_course[list(OUTCOMES)].max())
    lines = [
        (unit, by, group, outcome, int(events), len(part))
        for unit, frame in (("session", sessions), ("course", courses))
        for by in _BY
        for group, part in frame.groupby(by)
        for outcome, events in part[list(OUTCOMES)].sum().items()
    ]
    table = pd.DataFrame(lines, columns=["unit", "by", "group", "outcome", "events", "n"])
    events, n = table["events"].to_numpy(), table["n"].to_numpy()
    found = {"rate": events / n}
    for name, method in (("wilson", "wilson"), ("exact", "beta")):
        low, high = proportion_confint(events, n, alpha=1 - level, method=method)
        # without rounding at the ends
        found[f"{name}_low"] = np.where(events > 0, low, 0.0)
        found[f"{name}_high"] = np.where(events < n, high, 1.0)
    return table.assign(**{k: np.where(n < SMALLEST_GROUP, np.nan, v) for k, v in found.items()})


def rate_text(events: int, n: int, *, level: float = 0.95) -> Sentence:
    """Return a rate in words, with its exact limits."""
    percents = (events / n, *exact_interval(events, n, level=level))
    low_to_high = {
        name: float(f"{100 * one:.2g}")
        for name, one in zip(("percent", "low", "high"), percents, strict=True)
    }
    code = "reactions.rate" if events else "reactions.rate_none"
    return sentence(code, {"events": events, "n": n, **low_to_high})


# AU15: blisters in 32 % of patients treated with a picosecond laser; REILLY23: lasting or
# pigment-related complications in 5.57 % of 2,118 tattoos. A log whose upper limit stays below a
# tenth of the one or half of the other is more likely silent than safe.
LEAST_SHARE = {"blister": 0.032, "any": 0.028}
FEWEST_COURSES = 50
FEWEST_LASTING = 5
SILENT_AT = 0.001  # chance of a silence below which it is surprising
QUIET_MONTHS = 12


def under_recording(log: OutcomeLog) -> tuple[Note, ...]:
    """Return warnings that the log's reactions look under-recorded, empty when they do not.

    Nothing here shows that reactions were missed; each warning says what would be surprising if
    all were written down. Exact binomial limits throughout.

    Examples
    --------
    >>> silent = forecast.OutcomeLog.from_frames(log.courses)
    >>> print(under_recording(silent)[0])
    No reaction is recorded in 1,268 sessions: the log says nothing about safety.
    """
    rows = session_rows(log)
    if not len(log.reactions):
        return (Note("reactions.none_recorded", "serious", {"sessions": len(rows)}),)
    return (*_too_few(rows), *_lasting_only(log), *_silent_operators(rows), *_gone_quiet(rows))


def _too_few(rows: pd.DataFrame) -> Iterator[Note]:
    n_courses = int(rows["course_id"].nunique())
    if n_courses < FEWEST_COURSES:
        return
    for outcome, least in LEAST_SHARE.items():
        having = int(rows.groupby("course_id")[outcome].max().sum())
        most = exact_interval(having, n_courses, level=0.9)[1]  # 95 % one-sided
        if most < least:
            found = {"having": having, "courses": n_courses, "sessions": len(rows)}
            yield Note(f"reactions.few_{outcome}", "serious", found | {"percent": 100 * most})


def _lasting_only(log: OutcomeLog) -> Iterator[Note]:
    lasting = int((log.reactions["lasting"] == "yes").sum())
    transient = int((log.reactions["lasting"] == "no").sum())
    if lasting >= FEWEST_LASTING and lasting > transient:
        found = {"lasting": lasting, "transient": transient}
        yield Note("reactions.lasting_only", "serious", found)


def _silent_operators(rows: pd.DataFrame) -> Iterator[Note]:
    by_operator = rows.groupby("operator_id")["any"].agg(["sum", "size"])
    silent = by_operator[by_operator["sum"] == 0]
    others = by_operator["sum"].sum() / max(by_operator["size"].sum() - silent["size"].sum(), 1)
    chance = (1 - others) ** silent["size"]
    surprising = silent[chance < SILENT_AT / max(len(by_operator), 1)]
    if len(surprising):
        found = {"operators": len(surprising), "sessions": int(surprising["size"].sum())}
        percent = {"percent": float(100 * others)}
        yield Note("reactions.silent_operators", "serious", found | percent)


def _gone_quiet(rows: pd.DataFrame) -> Iterator[Note]:
    dated = rows[rows["treated_on"].notna()]
    if dated.empty:
        return
    late = dated["treated_on"] > dated["treated_on"].max() - pd.DateOffset(months=QUIET_MONTHS)
    n_late, seen_late = int(late.sum()), int(dated.loc[late, "any"].sum())
    if n_late == len(dated) or seen_late > 0:
        return
    rate = float(dated.loc[~late, "any"].mean())
    if (1 - rate) ** n_late < SILENT_AT:
        found = {"months": QUIET_MONTHS, "sessions": n_late, "percent": 100 * rate}
        yield Note("reactions.gone_quiet", "serious", found)
