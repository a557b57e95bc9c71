"""What a forecaster remembers of its log, fills gaps from, and judges support by.

Saved files hold what is here, so no count is below five but none at all, and no number is that of
the smallest or largest course: a count from one to four is kept as ``FEW``, which is said as "fewer
than five" (`few`) and saved as null.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray, IntArray
from forecast._notes import Note
from forecast._plain import plain, read
from forecast.counts.attributes import COVARIATES, LIGHTEN, SKIN_TYPES, ExtraColumn, plainly
from forecast.counts.rows import (
    FEWEST_ALIKE,
    FEWEST_FINISHED,
    FEWEST_FINISHED_WITH_LEVEL,
    FEWEST_FOLLOWED,
    FEWEST_LIGHTENED,
    FEWEST_WITH_LEVEL,
    is_judged,
    lasers_in_use,
    latest_start,
    of_goal,
)
from forecast.log import ATTRIBUTES, LEVELLED, Enquiry, column, extra_number
from forecast.survival import Durations
from forecast.tattoo import SITES, ink_group

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog


@dataclass(frozen=True, slots=True)
class Lightening:
    """Counts of the courses of a log that want lightening, and how they stand."""

    n_courses: int
    n_reached: int
    n_stopped: int
    n_ongoing: int
    n_other: int  # ended lightened although they wanted clearing: not counted as having got there
    followed_to: int  # the last session with at least five that want it at risk; 0 if none

    @classmethod
    def of(cls, courses: pd.DataFrame, rows: pd.DataFrame) -> Lightening:
        """Return the counts of a log, whose rows for the goal ``lighten`` are ``rows``."""
        wanted = (courses["goal"] == "lighten").to_numpy()
        outcome = courses["outcome"]
        entry, step = (
            rows.loc[wanted, name].to_numpy(dtype=np.int64) for name in ("entry", "step")
        )
        sessions = np.arange(1, step.max(initial=0) + 1)
        at_risk = ((entry < sessions[:, None]) & (step >= sessions[:, None])).sum(axis=1)
        return cls(
            n_courses=coarse(wanted.sum()),
            n_reached=coarse(rows.loc[wanted, "observed"].sum()),
            n_stopped=coarse((wanted & (outcome == "stopped").to_numpy()).sum()),
            n_ongoing=coarse((wanted & (outcome == "ongoing").to_numpy()).sum()),
            n_other=coarse((~wanted & (outcome == "lightened").to_numpy()).sum()),
            followed_to=int(sessions[at_risk >= FEWEST_FOLLOWED].max(initial=0)),
        )

    @property
    def told(self) -> dict[str, int | str]:
        """The counts as they are told."""
        own = asdict(self)
        return {name: own[name] if name in APART else told(own[name]) for name in own}

    @property
    def enough(self) -> bool:
        """Whether enough got there to check a promise on them."""
        return self.n_reached >= FEWEST_LIGHTENED


Counts: TypeAlias = dict[str, dict[str, int]]
FEW = 4  # stands for one to four
NONE = Note("counts.none_first")
APART = ("half_by", "followed_to", "lightening", "gap_weeks")  # no counts of courses


def coarse(count: int) -> int:
    """Return a count as it is kept: from one to four it is ``FEW``."""
    return FEW if 0 < count <= FEW else int(count)


def few(count: int, *, first: bool = False) -> int | Note:
    """Return how a count is said; ``first`` in its sentence.

    Examples
    --------
    >>> few(12), str(few(FEW))
    (12, 'fewer than five')
    """
    said = Note("counts.fewer_than_five_first" if first else "counts.fewer_than_five")
    return said if count == FEW else count


def told(count: int) -> int | str:
    """Return the same as a plain value, in English.

    Examples
    --------
    >>> told(12), told(FEW)
    (12, 'fewer than five')
    """
    said = few(count)
    return str(said) if isinstance(said, Note) else said


SHARED = ("ink_density", "layering")  # by courses that are counted together, beside their inks
NUMBERS = tuple(name for name in ATTRIBUTES if column("courses", name).kind == "number")


@dataclass(frozen=True, slots=True)
class LogSummary:
    """Counts and ranges of a log.

    Attributes
    ----------
    n_courses, n_clients, n_reached, n_stopped, n_ongoing : int
        Courses, clients, and courses by how they stand with respect to their own goal.
    first_start, last_start : str
        The month's first day of the first course started, and the date of the last, ISO 8601;
        empty when there is none.
    levels : mapping of attribute to mapping of level to int
        Courses with each level; a course counts once for each of its inks.
    ranges : mapping of attribute to (lowest, highest)
        Of the numeric attributes: fewer than five courses lie outside.
    middles : mapping of attribute to float
        Their medians.
    cells : mapping of "ink group;density;layering" to mapping
        For cells of at least five courses: ``n`` courses, ``reached`` and ``half_by``, the
        session by which half had reached the goal (Kaplan-Meier), None when it was not seen.
    fills : mapping of covariate to tuple of float
        Eight evenly spaced values of the log, used where an enquiry does not give the attribute.
    lasers : tuple of (regime, wavelengths in nm)
        In use at the end of the log.
    finished : mapping of attribute to mapping of level to int
        Of the courses in ``levels``, those that reached the goal; a level without one is left out.
    near : mapping of "ink group;density;layering" to tuple of str
        Of the courses in ``cells``, those that reached the goal: the skin types that five of them
        are within one of, and the regions that five are of.
    lightening : Lightening or None
        Counts of the courses that want lightening; None for the goal ``clear``.
    fingerprint : str
        Of the log's courses, all together; empty in files that do not have it.
    n_lightened : int
        Courses that ended lightened as wanted.
    extra : tuple of ExtraColumn
        The clinic's own columns in the model; ``levels``, ``finished``, ``ranges``, ``middles`` and
        ``fills`` have them too.
    gap_weeks : float or None
        Between sessions, in the middle one of the courses; None where the log does not say.

    Examples
    --------
    >>> summary = forecaster.log_summary
    >>> summary.n_courses, summary.similar(enquiry)["half_by"]
    (150, 9)
    """

    n_courses: int
    n_clients: int
    n_reached: int
    n_stopped: int
    n_ongoing: int
    first_start: str
    last_start: str
    levels: Mapping[str, Mapping[str, int]]
    ranges: Mapping[str, tuple[float, float]]
    middles: Mapping[str, float]
    cells: Mapping[str, Mapping[str, int | None]]
    fills: Mapping[str, tuple[float, ...]]
    lasers: tuple[tuple[str, tuple[float, ...]], ...]
    finished: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    near: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    lightening: Lightening | None = None
    fingerprint: str = ""
    n_lightened: int = 0
    extra: tuple[ExtraColumn, ...] = ()
    gap_weeks: float | None = None

    @classmethod
    def of(
        cls, log: OutcomeLog, rows: pd.DataFrame, extra: tuple[ExtraColumn, ...] = ()
    ) -> LogSummary:
        """Return the counts and ranges of ``log``, whose model rows are ``rows``."""
        courses, own = log.courses, of_goal(rows)
        done = rows["observed"].to_numpy(dtype=bool)
        levels, finished = counts_of_levels(courses, done, extra)
        measured = [one.name for one in extra if not one.levels]
        given = {name: courses[name].dropna() for name in (*NUMBERS, *measured)}
        numbers = {name: of.to_numpy(dtype=np.float64) for name, of in given.items() if len(of)}
        cells = cells_of(
            courses.loc[own, ["inks", *SHARED]], rows.loc[own, ["step", "entry", "observed"]]
        )
        started = rows["started_on"].dropna()
        stopped, going = int(rows["stopped"].sum()), int((courses["outcome"] == "ongoing").sum())
        return cls(
            n_courses=coarse(len(rows)),
            n_clients=coarse(rows["client_id"].nunique()),
            n_reached=coarse(done.sum()),
            n_stopped=coarse(stopped),
            n_ongoing=coarse(going),
            n_lightened=coarse(len(rows) - int(done.sum()) - stopped - going),
            first_start=f"{started.min():%Y-%m-01}" if len(started) else "",
            last_start=f"{latest_start(started):%Y-%m-%d}" if len(started) else "",
            levels=levels,
            ranges={name: _range_of(of) for name, of in numbers.items()},
            middles={name: float(np.median(of)) for name, of in numbers.items()},
            cells=cells,
            fills={name: fills_of(rows[name], name) for name in COVARIATES}
            | own_fills(courses, rows, extra),
            lasers=tuple(
                (laser.regime, laser.wavelengths_nm) for laser in lasers_in_use(log.lasers)
            ),
            finished=finished,
            near=near_of(courses[own & done], cells),
            lightening=Lightening.of(courses, rows) if LIGHTEN in rows else None,
            fingerprint=log.fingerprint,
            extra=extra,
            gap_weeks=_gap_weeks(log),
        )

    @property
    def means(self) -> dict[str, float]:
        """Mean of each covariate's fills, which stands in for a missing one in the fit."""
        return {name: float(np.mean(values)) for name, values in self.fills.items()}

    @property
    def sources(self) -> dict[str, str]:
        """The attribute that each covariate comes from."""
        return COVARIATES | {name: one.name for one in self.extra for name in one.names}

    @property
    def n_there(self) -> int:
        """Courses that say by themselves how many sessions the goal asked for takes."""
        return self.n_reached if self.lightening is None else self.lightening.n_reached

    def followed(self, last: int, horizon: int) -> int:
        """Return the last session with five courses at risk, where all courses had ``last``."""
        return min(last if self.lightening is None else self.lightening.followed_to, horizon)

    def similar(self, enquiry: Enquiry) -> Mapping[str, Any] | None:
        """Return counts of past courses alike in inks, density and layers; None if under five.

        ``like``, a Note, says what they share and ``unlike`` names what else the enquiry gives, in
        which they may differ: what they say is not what an estimate of all attributes says.
        """
        kind = (str(enquiry.inks), enquiry.ink_density, enquiry.layering)
        found = self.cells.get(cell_name(*kind))
        if found is None:
            return None
        others = [name for name in (*LEVELLED, *NUMBERS) if name not in SHARED]
        unlike = [name for name in others if getattr(enquiry, name) is not None]
        inks = Note(f"counts.inks_{ink_group(kind[0]).replace(' ', '_')}")
        layers = Note(f"counts.layers_{kind[2]}")
        code = "counts.alike_lightening" if self.lightening else "counts.alike"
        like = Note(code, values={"inks": inks, "density": kind[1], "layers": layers})
        return {"like": like, **found, "unlike": unlike}

    def alike(self, enquiry: Enquiry) -> Note | None:
        """Return what :meth:`similar` finds in one sentence or three; None if nothing.

        Half of them is read off their life table, which is said where some did not get there.
        """
        found = self.similar(enquiry)
        if found is None:
            return None
        code = "half" if found["reached"] == found["n"] else "half_as_seen"
        half = Note(f"drivers.{code}", values={"by": found["half_by"]})
        values = {**found, "half": half if found["half_by"] else ""}
        values |= {"reached": few(found["reached"]), "unlike": [*map(plainly, found["unlike"])]}
        return Note("drivers.alike", values=values)

    def far_from(self, enquiry: Enquiry) -> tuple[str, ...]:
        """Return in what fewer than five of the finished courses alike are near an enquiry.

        Alike in inks, density and layers; by ``skin_type``, one type up or down counting as near,
        and by ``body_site``, near in the same region.
        """
        cell = cell_name(str(enquiry.inks), enquiry.ink_density, enquiry.layering)
        found = self.near.get(cell)
        own = {"skin_type": enquiry.skin_type, "body_site": SITES[enquiry.body_site].region}
        return () if found is None else tuple(what for what, of in own.items() if of not in found)

    def unrecorded(self, enquiry: Enquiry) -> tuple[str, ...]:
        """Return the attributes that the enquiry gives and no course of the log does."""
        names = [name for name in LEVELLED if not self.levels.get(name)]
        names += [name for name in NUMBERS if name not in self.ranges]
        given = [name for name in names if getattr(enquiry, name) is not None]
        own = [one.name for one in self.extra]
        given += [name for name in enquiry.extra if name not in own]
        return tuple(given) if self.n_courses else ()

    def absent(self, enquiry: Enquiry) -> tuple[str, ...]:
        """Return the optional attributes that the enquiry does not give."""
        names = [name for name in dict.fromkeys(COVARIATES.values()) if name in ATTRIBUTES]
        names += [one.name for one in self.extra]
        return tuple(name for name in names if enquiry.value(name) is None)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        stored = asdict(self)
        _swap(stored, FEW, None)
        return stored

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> LogSummary:
        """Return the summary that :meth:`to_dict` wrote."""
        found = plain(stored)
        _swap(found, None, FEW)
        summary = read(cls, found)
        again = plain(summary)
        if any(again[name] != value for name, value in found.items()):
            raise ValueError("a part of its summary of the log is no such part")
        # whole numbers stay whole: a model is named by the checksum of what it is saved as
        fills = {name: tuple(values) for name, values in stored["fills"].items()}
        return replace(summary, fills=fills)


# between sessions, of the middle course; None where few say so
def _gap_weeks(log: OutcomeLog) -> float | None:
    days = log.each_session.groupby("course_id")["treated_on"].agg(["min", "max", "count"])
    days = days[days["count"] > 1]
    weeks = (days["max"] - days["min"]).dt.days / 7 / (days["count"] - 1)
    return round(float(weeks.median()), 1) if len(weeks) >= FEWEST_ALIKE else None


# Where counts stand: totals, those of levels, and those of courses alike.
def _swap(stored: dict[str, Any], old: int | None, new: int | None) -> None:
    counts = [stored, stored.get("lightening") or {}, *stored["levels"].values()]
    counts += [*stored["cells"].values(), *stored.get("finished", {}).values()]
    for of in counts:
        for name in of:
            if of[name] == old and name not in APART:
                of[name] = new


# So wide that fewer than five courses lie below and above, to round numbers.
def _range_of(values: FloatArray) -> tuple[float, float]:
    ordered = np.sort(values)
    fifth = min(FEW, (len(values) - 1) // 2)
    low, high = ordered[fifth], ordered[-1 - fifth]

    def step(value: float) -> float:
        return float(10 ** np.floor(np.log10(max(abs(value), 0.1))) / 2)

    ends = np.floor(low / step(low)) * step(low), np.ceil(high / step(high)) * step(high)
    return round(float(ends[0]), 6), round(float(ends[1]), 6)


def cell_name(inks: str, density: str, layering: str) -> str:
    """Return the key of ``cells``, what past courses are counted together by."""
    return f"{ink_group(inks)};{density};{layering}"


def cells_of(courses: pd.DataFrame, rows: pd.DataFrame) -> dict[str, dict[str, int | None]]:
    """Return counts of courses by ink group, density and layers, cells under five left out."""
    from forecast.survival import LifeTable

    kinds = courses.groupby(["inks", "ink_density", "layering"], dropna=False, sort=False)
    names = np.array([cell_name(*kind) for kind in kinds.size().index])
    distinct, cell = np.unique(names, return_inverse=True)
    of_course = cell[kinds.ngroup().to_numpy()]
    known = is_judged(rows)
    spells = Durations.from_frame(rows[known], step="step", observed="observed", entry="entry")
    found: dict[str, dict[str, int | None]] = {}
    for place, name in enumerate(distinct):
        count, own = int((of_course == place).sum()), spells.take(of_course[known] == place)
        if count < FEWEST_ALIKE:
            continue
        half_by, reached = None, int(own.observed.sum())
        if reached:
            half = LifeTable().fit(own).predict(None, int(own.step.max())).median()[0]
            half_by = int(half) if np.isfinite(half) else None
        found[str(name)] = {"n": count, "reached": coarse(reached), "half_by": half_by}
    return found


def near_of(finished: pd.DataFrame, cells: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Return of each cell the skin types and regions that five finished courses are near."""
    counts: dict[str, Counter[str]] = {cell: Counter() for cell in cells}
    names = ["inks", *SHARED, "skin_type", "body_site"]
    for *kind, skin, site in finished[names].itertuples(index=False):
        beside = [name for name, rank in SKIN_TYPES.items() if abs(rank - SKIN_TYPES[skin]) <= 1]
        counts.get(cell_name(*kind), Counter()).update([*beside, SITES[site].region])
    least = FEWEST_FINISHED_WITH_LEVEL
    return {cell: tuple(sorted(k for k, n in of.items() if n >= least))
            for cell, of in counts.items()}  # fmt: skip


def counts_of_levels(
    courses: pd.DataFrame, done: npt.NDArray[np.bool_], extra: Iterable[ExtraColumn] = ()
) -> tuple[Counts, Counts]:
    """Return how many courses have each level of each attribute: of all, and of those done."""
    import pandas as pd

    every: Counts = {}
    finished: Counts = {}
    own = {one.name: one.levels for one in extra if one.levels}
    for name in (*LEVELLED, "inks", *own):
        cells = courses[name]  # of its own column a level that hardly any course has is not kept
        place, levels = pd.factorize(cells.where(cells.isin(own[name])) if name in own else cells)
        for found, which in ((every, place >= 0), (finished, (place >= 0) & done)):
            counts = np.bincount(place[which], minlength=len(levels))
            found[name] = most_first(zip(map(str, levels), counts.tolist(), strict=True))
    return every, finished


def most_first(counts: Iterable[tuple[str, int]]) -> dict[str, int]:
    """Return how often each single level occurs among joined ones, the most frequent first."""
    found: Counter[str] = Counter()
    for joined, count in counts:
        for level in joined.split(";"):
            found[level] += count
    return {level: coarse(count) for level, count in found.most_common() if count}


N_FILLS = 8

# What to fill in for an attribute that neither the enquiry nor any course of the log gives:
# eighths of a plausible client mix (no source).
DEFAULT_FILLS: dict[str, tuple[float, ...]] = {
    "origin_amateur": (0, 0, 0, 0, 0, 0, 0, 1),
    "origin_cosmetic": (0,) * N_FILLS,
    "origin_traumatic": (0,) * N_FILLS,
    "age_decades": (-0.8, -0.6, -0.4, -0.1, 0.1, 0.4, 0.8, 1.5),
    "area_doublings": (-2.0, -1.2, -0.7, -0.2, 0.2, 0.7, 1.2, 2.0),
    "tattoo_age_doublings": (-1.5, -0.9, -0.5, -0.2, 0.2, 0.5, 0.9, 1.5),
    "scarring": (0, 0, 0, 0, 0, 0, 1, 1),
    "smoker": (0, 0, 0, 0, 0, 1, 0, 1),
    "ink_unreached": (0,) * N_FILLS,
    "four_years_on": (0,) * N_FILLS,
}


def fills_of(values: pd.Series[float], name: str) -> tuple[float, ...]:
    """Return eight evenly spaced quantiles of a covariate, or defaults when hardly ever given."""
    known = np.sort(values.dropna().to_numpy())
    if len(known) <= 2 * FEW:
        return DEFAULT_FILLS.get(name, (0.0,) * N_FILLS)
    at = (np.arange(N_FILLS) + 0.5) / N_FILLS
    # none is the value of one of the four smallest or largest
    at = np.clip(at, *((FEW + 0.5) / len(known), 1 - (FEW + 0.5) / len(known)))
    return tuple(known[np.ceil(len(known) * at - 1).astype(np.int64)].tolist())


# In which own columns take their fills: in steps as the other attributes do, an eighth of a mix of
# several would be alike in all.
ORDERS = ([0, 4, 2, 6, 1, 5, 3, 7], [0, 1, 4, 5, 2, 3, 6, 7])


def own_fills(
    courses: pd.DataFrame, rows: pd.DataFrame, extra: Iterable[ExtraColumn]
) -> dict[str, tuple[float, ...]]:
    """Return what stands in for the clinic's own columns: of levels one at a time."""
    found: dict[str, tuple[float, ...]] = {}
    for k, one in enumerate(extra):
        fills = {name: np.array(fills_of(rows[name], name)) for name in one.names}
        if one.levels:
            cells = courses[one.name]
            has = np.sort(cells[cells.isin(one.levels)].to_numpy().astype(str))
            at = (np.arange(N_FILLS) + 0.5) / N_FILLS * len(has)
            fills = one.covariates(has[at.astype(int)])
        found |= {name: tuple(of[ORDERS[k % 2]].tolist()) for name, of in fills.items()}
    return found


def spread_missing(
    found: Mapping[str, FloatArray],
    fills: Mapping[str, tuple[float, ...]],
    sources: Mapping[str, str] = COVARIATES,
) -> tuple[dict[str, FloatArray], IntArray]:
    """Return the covariates of enquiries, each missing one spread over its fills, and their rows.

    Missing attributes are combined by shifting one against another, so that eight rows stand for
    their joint mix; an enquiry where none is missing has one row. ``sources`` has the attribute
    behind each covariate.
    """
    whole = np.array([*found.values()])
    sizes = np.where(np.isnan(whole).any(axis=0), N_FILLS, 1)
    turns = np.concatenate([np.arange(size) for size in sizes])
    shifts = {name: 3 * k for k, name in enumerate(dict.fromkeys(sources.values()))}
    names, spread = [*found], np.repeat(whole, sizes, axis=1)
    missing = np.isnan(spread)
    for at in np.flatnonzero(missing.any(axis=1)).tolist():
        # a covariate that a model of before does not ask for has no fills
        fill, gone = np.array(fills.get(names[at], (0.0,) * N_FILLS)), missing[at]
        spread[at, gone] = fill[(turns[gone] + shifts[sources[names[at]]]) % N_FILLS]
    return dict(zip(names, spread, strict=True)), sizes


ALONE = ("layering", "smoker")  # whose levels are said alone; others beside their attribute


def support_of(
    summary: LogSummary, enquiry: Enquiry, *, followed: int, needed: int = 0
) -> tuple[str, tuple[str, ...]]:
    """Return whether the log covers an enquiry: ``well covered``, ``thin`` or ``outside``.

    And why not: the codes of the doubts, ``none_finished`` where no course has reached the goal,
    and ``not_followed`` where none was followed as far as is asked about. ``followed`` is how many
    of the sessions asked about five courses were followed through, and ``needed`` how many the
    answer speaks of: its median, or the horizon where that is beyond it.
    """
    notes = tuple(support_doubts(summary, enquiry))
    reasons = dict.fromkeys(note.code.partition(".")[2] for note in notes)
    nothing = {"none_finished": not summary.n_there, "not_followed": not followed}
    reasons |= dict.fromkeys(name for name, so in nothing.items() if so)
    if any(nothing.values()) or any(note.severity == "serious" for note in notes):
        return "outside", tuple(reasons)
    if needed > followed:
        reasons["beyond_followed"] = None
    return "thin" if reasons else "well covered", tuple(reasons)


def support_doubts(summary: LogSummary, enquiry: Enquiry) -> Iterator[Note]:
    """Yield the doubts whether the log covers an enquiry."""
    too_few = summary.n_there < FEWEST_FINISHED
    alike = summary.similar(enquiry)
    if too_few:
        own = summary.lightening
        code = "too_few_finished" if own is None else "too_few_lightened"
        count = summary.n_courses if own is None else own.n_courses
        done = few(summary.n_there, first=True) or NONE
        yield Note(f"counts.{code}", "caution", {"done": done, "count": few(count)})
    elif alike is None:
        yield Note("counts.too_few_like_it", "caution")
    elif alike["reached"] <= FEW:
        code = "few_like_it_finished" if alike["reached"] else "none_like_it_finished"
        yield Note(f"counts.{code}", "caution", {"count": alike["n"]})
    else:
        for what in summary.far_from(enquiry):
            values = {"count": alike["reached"], "what": what}
            yield Note("counts.few_like_it_near", "caution", values)
    yield from _rare_levels(summary, enquiry, too_few)
    yield from _far_numbers(summary, enquiry)


def _rare_levels(summary: LogSummary, enquiry: Enquiry, too_few: bool) -> Iterator[Note]:
    for name in (*LEVELLED, "inks", *(one.name for one in summary.extra if one.levels)):
        known = summary.levels.get(name)
        if not known:  # never recorded: that no course has it says nothing of the enquiry
            continue
        for level in filter(None, str(enquiry.value(name) or "").split(";")):
            count, done = known.get(level, 0), summary.finished.get(name, {}).get(level, 0)
            values: dict[str, Any] = {"count": count, "what": _level(name, level)}
            if not count and name in enquiry.extra:
                continue  # `_far_numbers` says so
            if not count:
                yield Note("counts.level_not_in_log", "serious", values)
            elif count < FEWEST_WITH_LEVEL:
                code = "level_few" if count == FEW else "level_rare"
                yield Note(f"counts.{code}", "caution", values | {"count": few(count)})
            elif done < FEWEST_FINISHED_WITH_LEVEL and summary.finished and not too_few:
                values |= {"done": few(done, first=True) or NONE}
                yield Note("counts.level_too_few_finished", "caution", values)


def _level(name: str, level: str) -> Note:
    if name in ALONE:
        return Note(f"counts.of_{name}_{level}")
    values = {"level": level.replace("_", " ")}
    if name not in (*LEVELLED, "inks"):
        return Note("counts.of_own", values=values | {"name": plainly(name)})
    return Note(f"counts.of_{name}", values=values)


def _far_numbers(summary: LogSummary, enquiry: Enquiry) -> Iterator[Note]:
    for name in NUMBERS:
        value, (low, high) = getattr(enquiry, name), summary.ranges.get(name, (0.0, np.inf))
        if value is not None and not low <= value <= high:
            what = Note(f"counts.the_{name}")
            values: dict[str, Any] = {"what": what, "unit": column("courses", name).unit}
            values |= {"value": value, "low": low, "high": high}
            yield Note("counts.number_outside_log", "serious", values)
    for one in (one for one in summary.extra if one.name in enquiry.extra):
        given = enquiry.extra[one.name]
        values = {"name": plainly(one.name), "value": extra_number(given)}
        low, high = summary.ranges.get(one.name, (-np.inf, np.inf))
        if not one.known(given):
            yield Note("counts.own_unknown", "caution", values | {"value": given})
        elif not one.levels and not low <= values["value"] <= high:
            yield Note("counts.own_outside_log", "serious", values | {"low": low, "high": high})
