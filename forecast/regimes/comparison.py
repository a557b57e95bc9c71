"""What a comparison of regimes hands back: its answers, the trial behind them, and the doubts."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from forecast._checks import SHOWN_AT
from forecast._files import write_into
from forecast._notes import Note, Sentence, bullets, notes_as_json, sentence
from forecast._plain import Result, fields_of, plain
from forecast.counts import plainly
from forecast.log import OutcomeLog
from forecast.regimes.diagnostics import Diagnostics, Sensitivity
from forecast.regimes.trial import SplitTrial, Trial
from forecast.regimes.verdict import (
    AUTO_AT_RISK,
    LARGEST_IMBALANCE,
    LARGEST_WEIGHT,
    LEAST_AT_RISK,
    LEAST_CLEARED,
    LEAST_CLIENTS,
    LEAST_EFFECTIVE,
    LEAST_EFFECTIVE_SHARE,
    LEAST_FOLLOWERS,
    LEAST_PAIRS,
    MANY_UNCLEARED,
    WISHED_FOLLOWERS,
    Contrast,
    NaiveReading,
    Settings,
    words_for,
)
from forecast.regimes.weighted_curves import TRUNCATE, Answers

DIFFERENT = 0.05  # p below which groups are said to differ
MOSTLY = 0.5  # of the sessions: below it is said what is recorded for so few
LEAST_OVERLAP = 0.5  # of the wavelengths fired under the regimes
APART = {"regimes.wavelengths_apart", "regimes.wavelengths_vary"}
# Notes that belong beside the answer.
BESIDE = APART | {f"regimes.groups_{name}" for name in ("differ", "alike", "unknown")}
BESIDE |= {f"regimes.{name}" for name in ("looking_again", "settles", "settles_plan", "to_settle")}
BESIDE |= {"regimes.no_gradings", "regimes.fading_disagrees"}  # serious, and no verdict says them
# What would let a verdict be given, by what keeps it back; of an interval, `settles` says it.
SETTLED_BY = {
    "none_eligible": "together",
    "too_few_followers": "far",
    "too_few_clients": "more",
    "too_few_effective": "more",
    "too_few_pairs": "pairs",
    "not_at_every_look": "pairs",
    "too_few_cleared": "later",
    "zero_width": "later",
    "operators_apart": "hands",
    "no_overlap": "alike",
    "hardly_a_chance": "chance",
    "routes_disagree": "lots",
}
PLANNED = {"ps - ns", "ns - ps"}  # the pair that a plan is for
ITEMS = ("eligible", "strategies", "assignment", "time_zero", "outcome", "estimand", "analysis")
COLUMNS = ("comparison", "quantity", "group", "estimate", "low", "high", "level", "verdict")


@dataclass(frozen=True, eq=False, repr=False)
class RegimeComparison(Answers, Result):
    """Strategies compared as a trial would have compared them, with everything to doubt it by.

    Keys of the mappings are ``"later - earlier"`` in the order of ``strategies``; values are the
    left strategy minus the right, in sessions, so that negative means fewer.

    Attributes
    ----------
    difference : mapping of Contrast
        In mean sessions up to the horizon, at which a course not cleared by then counts, in the
        clinic's own case mix.
    cleared_by : mapping of such mappings
        Differences of the shares cleared by 5, 10 and 15 sessions.
    by_ink, by_group : mapping of such mappings
        ``difference`` within each ink group, and each level of the column ``by``. With horizons of
        the pairs' own, levels are compared up to the last session that two of them reach.
    unadjusted, second_route, by_fading : mapping of Contrast
        ``difference`` without weights, by the g-formula, and from what a session removes under
        each regime, as the gradings say.
    verdict : mapping of str
        "saves", "costs", "equivalent" or "cannot say".
    reasons : mapping of tuple
        Codes of what keeps a verdict back, see `reasons_for`.
    supported : mapping of Supported
        The answer up to the last session, at most the horizon, that both strategies reach with
        enough courses; looking again, at the horizon only.
    means : mapping of Contrast
        Mean sessions by strategy, all up to the earliest horizon of the pairs.
    differ : mapping of tuple
        Whether levels of ``by`` differ: Wald's chi-squared, degrees of freedom, p-value, horizon.
    strategies : tuple of str
    horizon, horizons : int, mapping of int
        Sessions up to which means are counted, by pair, and the largest.
    margin, level, replicates, by : float, float, int, str or None
        As asked.
    naive : tuple of NaiveReading
        What plain readings say, the unadjusted one among them.
    curves : DataFrame
        ``strategy, group, session, at_risk, survival, low, high``, as far as there is support.
    diagnostics, sensitivity : Diagnostics, Sensitivity or None
        What it rests on, and how wrong its assumptions must be; None where nothing is estimated.
    target_trial : tuple of (str, str)
        The trial that it stands in for, item by item.
    split : SplitTrial or None
        The paired analysis, when the log holds halves of one tattoo.
    notes : tuple of Note
        Doubts.
    rows : DataFrame
        The weighted rows, pseudonymous.

    Examples
    --------
    >>> found = forecast.compare_regimes(log, horizon=4, replicates=10)
    >>> found.diagnostics.followers, found.reasons["ps - ns"]  # courses that kept to each
    ({'ns': 16, 'ps': 19}, ('too_few_cleared', 'too_few_effective', 'zero_width'))
    """

    strategies: tuple[str, ...]
    horizon: int
    horizons: Mapping[str, int]
    margin: float
    level: float
    replicates: int
    by: str | None
    naive: tuple[NaiveReading, ...]
    curves: pd.DataFrame
    diagnostics: Diagnostics
    sensitivity: Sensitivity | None
    target_trial: tuple[tuple[str, str], ...]
    split: SplitTrial | None
    notes: tuple[Note, ...]
    rows: pd.DataFrame
    by_fading: Mapping[str, Contrast] = field(default_factory=dict)

    @property
    def words(self) -> dict[str, Sentence]:
        """What is said of each pair, and that pulse and wavelength cannot be told apart."""
        return {
            key: sentence("regimes.joined", {"said": [*one, *self._apart]})
            for key, one in self._answers.items()
        }

    @property
    def _apart(self) -> list[Note]:
        return [note for note in self.notes if note.code in APART]

    @property
    def open_at_horizon(self) -> dict[str, list[Note]]:
        """Of each pair called equivalent, the strategies with many not cleared by its horizon."""
        equivalent = [key for key, verdict in self.verdict.items() if verdict == "equivalent"]
        found = {
            key: [_still_open(self.curves, one, self.horizons[key]) for one in key.split(" - ")]
            for key in equivalent
        }
        return {key: [one for one in open_ if one] for key, open_ in found.items() if any(open_)}

    @property
    def _answers(self) -> dict[str, list[Note]]:
        found = {}
        for key, one in self.difference.items():
            horizon = self.horizons[key]
            said = [words_for(key, one, self.reasons[key], horizon, self.margin)]
            if open_ := self.open_at_horizon.get(key):
                said.append(Note("regimes.equivalent_so_far", values={"shares": open_}))
            if one.estimate is None and key in self.supported:
                last = self.supported[key]
                more = words_for(key, last.contrast, last.reasons, last.horizon, self.margin)
                said = [more, *said]
            found[key] = said
        return found

    @property
    def desk_line(self) -> Note:
        """One line for those who advise clients, without numbers that carry no verdict."""
        key = "ps - ns"
        if key not in self.difference:
            return Note("regimes.desk_unknown")
        reasons, horizon = self.reasons[key], self.horizons[key]
        said = words_for(key, self.difference[key], reasons, horizon, self.margin)
        code = said.code.partition(".")[2]
        if code in ("no_answer", "held_back"):
            return Note("regimes.desk_unknown")
        if code == "equivalent" and key in self.open_at_horizon:
            code = "equivalent_so_far"
        drawn = {"span": said.values["span"], "replicates": self.replicates}
        span = Note("regimes.desk_drawn", values=drawn)
        values = {"span": span, "horizon": horizon, "margin": self.margin}
        line = Note(f"regimes.desk_{code}", values=values)
        return Note("regimes.desk_apart", values={"line": line}) if self._apart else line

    def to_frame(self) -> pd.DataFrame:
        """Return every contrast as one row.

        Columns ``comparison, quantity, group, estimate, low, high, level, verdict, horizon``;
        quantities are in sessions or, for ``cleared_by``, shares. ``horizon`` is the session up to
        which a row counts, missing where it counts weeks.
        """
        rows = [
            (key, quantity, group or "all", one.estimate, *one.interval, one.level, shown.get(key))
            for quantity, group, contrasts, _ in self._tables()
            for shown in [self.verdict if quantity == "sessions" and not group else {}]
            for key, one in contrasts.items()
        ]
        last = [ends.get(key) for *_, contrasts, ends in self._tables() for key in contrasts]
        frame = pd.DataFrame(rows, columns=list(COLUMNS)).assign(horizon=pd.array(last, "Int64"))
        return frame.astype(dict.fromkeys(COLUMNS[3:7], "float64"))

    def _tables(self) -> Iterator[tuple[str, str, Mapping[str, Contrast], Mapping[str, int]]]:
        last = self.horizons
        yield "mean_sessions", "", self.means, dict.fromkeys(self.means, min(last.values()))
        yield "sessions", "", self.difference, last
        for n, shares in self.cleared_by.items():
            yield f"cleared_by_{n}", "", shares, dict.fromkeys(shares, n)
        for group, table in self.by_ink.items():
            yield "sessions", group, table, last
        of_levels = {key: int(horizon) for key, (*_, horizon) in self.differ.items()}
        for group, table in self.by_group.items():
            yield "sessions", group, table, of_levels
        yield "sessions_g_formula", "", self.second_route, last
        yield "sessions_from_fading", "", self.by_fading, last
        for one in self.naive:
            yield f"sessions_{one.name.note.code.partition('.')[2]}", "", one.difference, last
        if self.sensitivity is not None:
            yield "weeks", "", self.sensitivity.weeks, {}
            yield "sessions_no_operator", "", self.sensitivity.without_operator, last

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; numbers that are not finite become None."""
        names = ("difference", "unadjusted", "verdict", "horizon", "reasons", "notes", "note_codes",
                 "margin", "words", "supported", "cleared_by", "by_ink", "by", "by_group", "differ",
                 "horizons", "interval_90", "second_route", "by_fading", "naive", "diagnostics",
                 "sensitivity", "target_trial", "split_trial", "open_at_horizon")  # fmt: skip
        tests = ("chi_squared", "df", "p_value", "horizon")
        every = {
            **fields_of(self),
            **notes_as_json(self.notes),
            "words": self.words,
            "differ": {key: dict(zip(tests, one, strict=True)) for key, one in self.differ.items()},
            "interval_90": {key: one.at_level(0.9) for key, one in self.difference.items()},
            "target_trial": dict(zip(ITEMS, (of for _, of in self.target_trial), strict=True)),
            "split_trial": self.split,
            "open_at_horizon": {
                key: {one.values["strategy"]: one.values["share"] for one in open_}
                for key, open_ in self.open_at_horizon.items()
            },
        }
        found = {name: every[name] for name in names}
        clean: dict[str, Any] = json.loads(json.dumps(plain(found)), parse_constant=lambda _: None)
        return clean

    def lines(self, language: str) -> list[str]:
        """Return the answer in words, the trial it imitates, plain readings, and the doubts."""
        beside = [note for note in self.notes if note.code in BESIDE]
        lines: list[str] = [
            *(sentence("regimes.joined", {"said": said}) for said in self._answers.values()),
            *map(Sentence, beside),
            "",
            sentence("regimes.head_trial"),
        ]
        lines += [_item(head, [text]) for head, text in self.target_trial]
        if self.by_group:
            lines += ["", sentence("regimes.head_groups", {"by": plainly(self.by or "")})]
        for group, table in self.by_group.items():
            named = {"by": plainly(self.by or ""), "level": group.removeprefix(f"{self.by} ")}
            lines.append(_item(sentence("regimes.group", named), [_spoken(table)]))
        lines += ["", sentence("regimes.head_naive")]
        lines += [_item(one.name, [_spoken(one.difference), one.why]) for one in self.naive]
        if self.sensitivity is not None and self.sensitivity.tipping_point:
            lines += ["", sentence("regimes.head_sensitivity")]
            lines += [sentence("text.indented", {"note": one}) for one in self.sensitivity.words]
        return [*lines, "", *bullets(note for note in self.notes if note not in beside)]

    def write(self, folder: str | Path) -> list[Path]:
        """Write everything another statistician needs to redo the comparison; return the files.

        CSV files ``comparison, curves, weighted_rows, weights, balance, overlap, followers`` and
        ``target_trial.txt``. Courses and clients appear under new numbers, never their ids.
        """
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
        contents = {
            f"{name}.csv": table.to_csv(index=False, lineterminator="\n", float_format="%.6g")
            for name, table in tables.items()
        }
        lines = [f"{item}: {text}" for item, text in self.target_trial]
        lines += ["", *self.words.values(), "", *map(str, self.notes), ""]
        contents["target_trial.txt"] = "\n".join(lines)
        return write_into(folder, contents)


def _item(head: str, said: Sequence[str]) -> Sentence:
    return sentence("regimes.item", {"head": head, "said": said})


def _spoken(table: Mapping[str, Contrast]) -> Sentence:
    said = [
        sentence("regimes.of_pair", {"pair": key, "said": one.spoken("sessions")})
        for key, one in table.items()
    ]
    return sentence("regimes.pairs", {"said": said})


def target_trial(trial: Trial | None, settings: Settings) -> tuple[tuple[str, str], ...]:
    """Return the protocol of the trial, item and text."""
    window = Note("trial.window_unknown")
    if trial is not None:
        days = dict(zip(("first", "last"), trial.window, strict=True))
        window = Note("trial.window", values=days)
    each = [
        Note("trial.horizon", values={"pair": key, "horizon": settings.horizon_of(key)})
        for key in settings.pairs
    ]
    until = Note("trial.until", values={"horizon": settings.horizon})
    if settings.auto:
        until = Note("trial.until_each", values={**until.values, "each": each})
    return protocol(settings, {"window": window, "until": until})


def protocol(
    settings: Settings, values: Mapping[str, Any], kind: str = ""
) -> tuple[tuple[str, str], ...]:
    """Return the protocol of a trial, of split tattoos where the ``kind`` is ``split_``."""
    values = {**values, "replicates": settings.replicates, "percent": 100 * TRUNCATE}
    values |= {"shown": SHOWN_AT[:-1], "last": SHOWN_AT[-1]}
    values["rules"] = [strategy.rule for strategy in settings.plans]
    return tuple(
        (sentence(f"trial.head_{item}"), sentence(f"trial.{kind}{item}", values)) for item in ITEMS
    )


def notes_for(
    log: OutcomeLog,
    trial: Trial,
    diagnostics: Diagnostics,
    found: Answers,
    curves: pd.DataFrame,
    settings: Settings,
    by: str | None = None,
) -> tuple[Note, ...]:
    """Return what a reader must know before believing the answer."""
    notes = [Note("regimes.eligible", "info", diagnostics.counts)]
    notes += left_out_note(diagnostics.left_out)
    notes += _support_notes(diagnostics, settings)
    notes += _weight_notes(diagnostics)
    notes += _follower_notes(diagnostics, settings)
    graded = float(np.mean(trial.graded))
    if graded == 0:
        notes.append(Note("regimes.no_gradings", "serious"))
    elif graded < MOSTLY:
        notes.append(Note("regimes.few_gradings", "caution", {"share": graded}))
    known = float(np.mean([isinstance(name, str) for name in trial.operator]))
    if known < MOSTLY:
        notes.append(Note("regimes.no_operators", "caution", {"share": known}))
    notes += _mixed_up_notes(log, diagnostics)
    notes += open_notes(found, curves, settings)
    notes += _ink_notes(found)
    for key in found.difference:
        notes += _pair_notes(key, found, settings.margin)
        if by is not None:
            notes.append(_group_note(key, found, by, settings.horizon_of(key)))
    if settings.looking_again:
        notes.append(Note("regimes.looking_again", "info"))
    return (*notes, *settling_notes(found.reasons))


def left_out_note(left_out: Mapping[Sentence, int]) -> Iterator[Note]:
    """Yield how many courses were left out, and why, where any were."""
    listed = [sentence("counts.left_out", {"n": n, "why": why}) for why, n in left_out.items()]
    if listed:
        yield Note("regimes.left_out", "info", {"reasons": listed})


def settling_notes(reasons: Mapping[str, Sequence[str]], *, halves: bool = False) -> Iterator[Note]:
    """Yield what would settle the pairs whose verdict is kept back for these ``reasons``.

    ``halves``: of split tattoos, of which more are wanted and not more courses.
    """
    settled_by = SETTLED_BY | ({"too_few_clients": "pairs"} if halves else {})
    pairs: dict[tuple[str, ...], list[str]] = {}
    for key, codes in reasons.items():
        ways = tuple(dict.fromkeys(settled_by[code] for code in codes if code in settled_by))
        if "alike" in ways:  # more of the same do not help
            ways = tuple(way for way in ways if way != "more")
        pairs.setdefault(ways, []).append(key)
    least = {"worth": LEAST_EFFECTIVE, "clients": LEAST_CLIENTS, "cleared": LEAST_CLEARED}
    least |= {"halves": LEAST_PAIRS}
    for ways, keys in pairs.items():
        more = "more" in ways and "hands" not in ways
        planned = ["plan"] * (more and not PLANNED.isdisjoint(keys))
        what = [Note(f"regimes.settle_{way}", values=least) for way in (*ways, *planned)]
        if what:
            yield Note("regimes.to_settle", "info", {"pairs": keys, "what": what})


# The share not cleared after a session, with its interval, where it is large.
def _still_open(curves: pd.DataFrame, strategy: str, session: int) -> Note | None:
    at = (curves["group"] == "all") & (curves["session"] == session)
    rows = curves.loc[at & (curves["strategy"] == strategy), ["survival", "low", "high"]]
    if rows.empty or rows["survival"].iloc[0] <= MANY_UNCLEARED:
        return None
    share, low, high = map(float, rows.iloc[0])
    values = {"share": share, "low": 100 * low, "high": 100 * high, "strategy": strategy}
    return Note("regimes.share_under", "info", values)


def open_notes(found: Answers, curves: pd.DataFrame, settings: Settings) -> Iterator[Note]:
    """Yield what is not yet cleared at the horizon, once for each horizon."""
    open_: dict[int, list[Note]] = {}
    for place, name in enumerate(settings.names):
        note = _still_open(curves, name, settings.reach_of(place))
        if name in found.means and note is not None:
            open_.setdefault(settings.reach_of(place), []).append(note)
    for horizon, shares in open_.items():
        yield Note("regimes.uncleared", "caution", {"horizon": horizon, "shares": shares})


# Levels at which an effect is said to differ between groups.
def _group_note(key: str, found: Answers, by: str, horizon: int) -> Note:
    values: dict[str, Any] = {"pair": key, "by": plainly(by)}
    if key not in found.differ:
        values |= {"least": LEAST_FOLLOWERS, "at_risk": LEAST_AT_RISK, "horizon": horizon}
        return Note("regimes.groups_unknown", "caution", values)
    *_, p_value, last = found.differ[key]
    code = "groups_differ" if p_value < DIFFERENT else "groups_alike"
    return Note(f"regimes.{code}", "info", values | {"p": p_value, "horizon": last})


def _support_notes(diagnostics: Diagnostics, settings: Settings) -> Iterator[Note]:
    names = settings.names
    for place, name in enumerate(names):
        horizon = settings.reach_of(place)
        followers = diagnostics.followers[name]
        reach = diagnostics.supported_to[name]
        values = {"strategy": name, "horizon": horizon, "followers": followers}
        if reach < horizon:
            values |= {"at_risk": int(diagnostics.at_risk[name][horizon]), "reach": reach}
            values |= {"least_at_risk": AUTO_AT_RISK if settings.auto else LEAST_AT_RISK}
            values |= {"least": LEAST_FOLLOWERS}
            begins = settings.plans[place].begins
            # what is followed before a change says nothing of it
            code = "never_in_reach" if begins == 1 else "change_out_of_reach"
            code = "out_of_reach" if reach >= begins else code
            yield Note(f"regimes.{code}", "serious", values)
        elif followers < WISHED_FOLLOWERS:
            yield Note("regimes.few_followers", "caution", values)
        if diagnostics.cleared[name] < LEAST_CLEARED:
            few = {"strategy": name, "cleared": diagnostics.cleared[name], "horizon": horizon}
            yield Note("regimes.few_cleared", "serious", {**few, "least": LEAST_CLEARED})
    for key, (left, right) in settings.pairs.items():
        common = min(diagnostics.supported_to[names[left]], diagnostics.supported_to[names[right]])
        values = {"pair": key, "horizon": common}
        again = settings.looking_again  # at the same horizon
        if not again and settings.shortest(left, right) <= common < settings.horizon_of(key):
            yield Note("regimes.ask_again", "info", values)
        elif settings.auto and common >= settings.horizon_of(key):
            yield Note("regimes.own_horizon", "info", values | {"horizon": settings.own[key]})


def _weight_notes(diagnostics: Diagnostics) -> Iterator[Note]:
    for name, row in diagnostics.weights.iterrows():
        if not row["n"]:
            continue
        values = {
            "strategy": str(name),
            "cut": round(row["share_truncated"] * row["n"]),
            "rows": int(row["n"]),
            "limit": float(row["limit"]),
            "largest": float(row["largest_before"]),
            "worth": float(diagnostics.carried[str(name)].effective),
        }
        yield Note("regimes.weights", "info", values)
        if row["largest_before"] > LARGEST_WEIGHT:
            large = {"strategy": str(name), "limit": LARGEST_WEIGHT}
            yield Note("regimes.large_weight", "caution", large)
        if row["effective"] / row["n"] < LEAST_EFFECTIVE_SHARE:
            yield Note("regimes.few_carry_weight", "caution", {"strategy": str(name)})
    after = diagnostics.balance["after"].abs()
    if (after > LARGEST_IMBALANCE).any():
        worst = diagnostics.balance.loc[after.idxmax()]
        values = {
            "n": int((after > LARGEST_IMBALANCE).sum()),
            "of": len(after),
            "limit": LARGEST_IMBALANCE,
            "largest": float(worst["after"]),
            "covariate": sentence(f"covariate.{worst['covariate']}"),
            "strategy": str(worst["strategy"]),
            "session": int(worst["session"]),
        }
        yield Note("regimes.imbalance", "caution", values)


# Whose followers are too few for a verdict, as courses and as clients, or had no choice.
def _follower_notes(diagnostics: Diagnostics, settings: Settings) -> Iterator[Note]:
    for plan in settings.plans:
        name, found = plan.name, diagnostics.carried[plan.name]
        changed = {"courses": found.courses, "session": plan.begins}
        if "too_few_effective" in found.lacking:
            code, more = ("few_changed", changed) if plan.begins > 1 else ("few_effective", {})
            values = {"strategy": name, "worth": found.effective, "least": LEAST_EFFECTIVE}
            yield Note(f"regimes.{code}", "serious", values | more)
        if "hardly_a_chance" in found.lacking and found.courses:
            shares = {"stalled": found.stalled, "without": found.without_chance}
            yield Note("regimes.hardly_a_chance", "serious", {"strategy": name} | changed | shares)
        if "too_few_clients" in found.lacking:
            few = {"strategy": name, "clients": found.clients, "least": LEAST_CLIENTS}
            yield Note("regimes.few_clients", "serious", few)


# The ink groups in which a pair cannot be compared though it can over all.
def _ink_notes(found: Answers) -> Iterator[Note]:
    for key, contrast in found.difference.items():
        thin = [name for name, table in found.by_ink.items() if table[key].estimate is None]
        if contrast.estimate is not None and thin:
            values = {"pair": key, "inks": thin, "at_risk": LEAST_AT_RISK, "least": LEAST_FOLLOWERS}
            yield Note("regimes.thin_inks", "caution", values)


# What else changes with the regime: hands and wavelengths.
def _mixed_up_notes(log: OutcomeLog, diagnostics: Diagnostics) -> Iterator[Note]:
    for apart in ("operators_apart", "no_overlap"):
        if getattr(diagnostics, apart):
            yield Note(f"regimes.{apart}", "serious")
    fired = diagnostics.wavelengths
    fired = fired[fired["overlap"] < LEAST_OVERLAP]
    if len(fired):
        unlike = fired[fired["ns"] != fired["ps"]]
        first = (unlike if len(unlike) else fired).iloc[0]
        values = {"first": first["ink_group"], "ns": first["ns"], "ps": first["ps"]}
        code = "regimes.wavelengths_apart" if len(unlike) else "regimes.wavelengths_vary"
        yield Note(code, "serious", {"inks": [*fired["ink_group"]]} | values)
    known = log.lasers.dropna(subset=["wavelengths_nm"]).groupby("regime")["wavelengths_nm"]
    emitted = {regime: {*";".join(texts).split(";")} for regime, texts in known}
    parts = []
    for regime, other in (("ps", "ns"), ("ns", "ps")) if {"ns", "ps"} <= emitted.keys() else ():
        if only := emitted[regime] - emitted[other]:
            values = {"regime": regime, "wavelengths": sorted(only, key=float)}
            parts.append(Note("regimes.also_has", "info", values))
    if parts:
        yield Note("regimes.lasers_differ", "caution", {"parts": parts})


def _pair_notes(key: str, found: Answers, margin: float) -> Iterator[Note]:
    contrast, second, verdict = found.difference[key], found.second_route[key], found.verdict[key]
    if contrast.estimate is None or contrast.error is None:
        return
    if verdict in ("saves", "costs") and contrast.within(margin):
        yield Note("regimes.below_margin", "info", {"pair": key, "margin": margin})
    if contrast.without_width:  # nothing can agree with it, or not
        yield Note("regimes.zero_width", "serious", {"pair": key})
        return
    if found.reasons[key] == ("interval_covers_margin",):
        yield Note("regimes.settles", "info", {"pair": key, "sessions": contrast.detectable})
        if key in PLANNED:
            yield Note("regimes.settles_plan", "info")
    if second.estimate is not None:
        values = {"pair": key, "said": second.spoken("sessions")}
        apart = contrast.disagrees(second)
        code = "second_route_disagrees" if apart else "second_route_agrees"
        yield Note(f"regimes.{code}", "serious" if apart else "info", values)
