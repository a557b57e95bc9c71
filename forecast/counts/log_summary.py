"""What a forecaster remembers of the log it was fitted to: counts and ranges, never rows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.counts.attributes import COVARIATES, LIGHTEN
from forecast.counts.prior import SHORTER
from forecast.log import Enquiry, column, fingerprint, is_judged
from forecast.survival import Durations
from forecast.tattoo import ink_group

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

FEWEST_LIGHTENED = 10  # courses that got there, below which they check nothing
FOLLOWED = 5  # courses that a session of the curve must rest on
ALGEBRA = f"the algebra of fading (about {SHORTER:.1f} of the sessions)"


@dataclass(frozen=True, slots=True)
class Lightening:
    """Counts of the courses of a log that want lightening.

    Attributes
    ----------
    n_courses, n_reached, n_stopped, n_ongoing : int
        Courses that want it, and how they stand.
    n_other : int
        Courses that ended lightened although they wanted clearing: not counted as having got there.
    followed_to : int
        The last session with at least five courses that want it at risk; 0 if none.
    """

    n_courses: int
    n_reached: int
    n_stopped: int
    n_ongoing: int
    n_other: int
    followed_to: int

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
            n_courses=int(wanted.sum()),
            n_reached=int(rows.loc[wanted, "observed"].sum()),
            n_stopped=int((wanted & (outcome == "stopped").to_numpy()).sum()),
            n_ongoing=int((wanted & (outcome == "ongoing").to_numpy()).sum()),
            n_other=int((~wanted & (outcome == "lightened").to_numpy()).sum()),
            followed_to=int(sessions[at_risk >= FOLLOWED].max(initial=0)),
        )

    @property
    def enough(self) -> bool:
        """Whether enough got there to check a promise on them."""
        return self.n_reached >= FEWEST_LIGHTENED

    def counted(self) -> str:
        """Return how many wanted it and how they stand, in words."""
        if not self.n_courses:
            return "none of which wanted lightening"
        return (
            f"{self.n_courses} of which wanted lightening: {self.n_reached} got there, "
            f"{self.n_stopped} stopped, {self.n_ongoing} are still running"
        )

    def notes(self, source: str = ALGEBRA) -> tuple[str, ...]:
        """Return the doubts of every estimate for lightening.

        ``source`` says in words what the effect rests on beside the log.
        """
        rests = f"the count rests on that to clearing and on {source}, and was not checked."
        found = []
        if not self.n_courses:
            found.append(f"No course of this log wanted lightening: {rests}")
        elif not self.n_reached:
            found.append(f"No course that wanted lightening is there yet: {rests}")
        elif not self.enough:
            found.append(
                f"Only {self.n_reached} course(s) that wanted lightening got there, fewer than "
                f"{FEWEST_LIGHTENED}: {rests}"
            )
        if self.n_other:
            found.append(
                f"{self.n_other} course(s) ended lightened though the log has clearing as their "
                "goal, and do not count: correct the column goal where lightening was wanted."
            )
        return tuple(found)


Counts: TypeAlias = dict[str, dict[str, int]]

SHARED = ("ink_density", "layering")  # by courses that are counted together, beside their inks
INKS_SAID = {
    "black": "black or dark blue ink",
    "black and red": "red or orange ink (also with black or dark blue)",
    "other colours": "ink of other colours",
}
LEVELLED = ("skin_type", "body_site", "ink_density", "layering", "origin", "scarring", "smoker")
NUMERIC = ("age_years", "area_cm2", "tattoo_age_years")
FEW, THIN = 5, 10
# Finished courses from which an answer counts as well covered: what is learnt comes from them, and
# promises are judged from as many. The log of the count that half need is then known to about
# 1 / (2.5 sqrt(20)) = 9 % (the evidence's Weibull shape), attributes aside.
FEWEST_REACHED = 20
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


@dataclass(frozen=True, slots=True)
class Reference:
    """Counts and ranges of a log.

    Attributes
    ----------
    n_courses, n_clients, n_reached, n_stopped, n_ongoing : int
        Courses, clients, and courses by how they stand with respect to their own goal.
    first_start, last_start : str
        Dates of the first and last course started, ISO 8601; empty when there is none.
    levels : mapping of attribute to mapping of level to int
        Courses with each level; a course counts once for each of its inks.
    ranges : mapping of attribute to (lowest, highest)
        Of the numeric attributes.
    middles : mapping of attribute to float
        Their medians.
    cells : mapping of "inks, density, layers" to mapping
        For cells of at least five courses: ``n`` courses, ``reached`` and ``half_by``, the
        session by which half had reached the goal (Kaplan-Meier), None when it was not seen.
    fills : mapping of covariate to tuple of float
        Eight evenly spaced values of the log, used where an enquiry does not give the attribute.
    lasers : tuple of (regime, wavelengths in nm)
        In use at the end of the log.
    finished : mapping of attribute to mapping of level to int
        Of the courses in ``levels``, those that reached the goal; a level without one is left out.
    lightening : Lightening or None
        Counts of the courses that want lightening; None for the goal ``clear``.
    fingerprint : str
        Of the log's courses, all together; empty in files that do not have it.
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
    lightening: Lightening | None = None
    fingerprint: str = ""

    @classmethod
    def of(cls, log: OutcomeLog, rows: pd.DataFrame) -> Reference:
        """Return the counts and ranges of ``log``, whose model rows are ``rows``."""
        from forecast.counts.rows import lasers_in_use, latest_start, of_goal

        courses, own = log.courses, of_goal(rows)
        done = rows["observed"].to_numpy(dtype=bool)
        levels, finished = counts_of_levels(courses, done)
        numbers = {name: courses[name].dropna() for name in NUMERIC}
        started = rows["started_on"].dropna()
        return cls(
            n_courses=len(rows),
            n_clients=int(rows["client_id"].nunique()),
            n_reached=int(done.sum()),
            n_stopped=int(rows["stopped"].sum()),
            n_ongoing=int((courses["outcome"] == "ongoing").sum()),
            first_start=f"{started.min():%Y-%m-%d}" if len(started) else "",
            last_start=f"{latest_start(started):%Y-%m-%d}" if len(started) else "",
            levels=levels,
            ranges={
                name: (float(of.min()), float(of.max())) for name, of in numbers.items() if len(of)
            },
            middles={name: float(of.median()) for name, of in numbers.items() if len(of)},
            cells=cells_of(
                courses.loc[own, ["inks", *SHARED]], rows.loc[own, ["step", "entry", "observed"]]
            ),
            fills={name: fills(rows[name], name) for name in COVARIATES},
            lasers=tuple(
                (laser.regime, laser.wavelengths_nm) for laser in lasers_in_use(log.lasers)
            ),
            finished=finished,
            lightening=Lightening.of(courses, rows) if LIGHTEN in rows else None,
            fingerprint=fingerprint(courses),
        )

    @property
    def means(self) -> dict[str, float]:
        """Mean of each covariate's fills, which stands in for a missing one in the fit."""
        return {name: float(np.mean(values)) for name, values in self.fills.items()}

    @property
    def n_there(self) -> int:
        """Courses that say by themselves how many sessions the goal asked for takes."""
        return self.n_reached if self.lightening is None else self.lightening.n_reached

    def followed(self, last: int, horizon: int) -> int:
        """Return the last session with five courses at risk, where all courses had ``last``."""
        return min(last if self.lightening is None else self.lightening.followed_to, horizon)

    def _few_there(self) -> str:
        if self.lightening is None:
            return few_finished(self.n_reached, self.n_courses)
        return few_finished(self.n_there, self.lightening.n_courses, " that wanted lightening")

    def similar(self, enquiry: Enquiry) -> Mapping[str, Any] | None:
        """Return counts of past courses alike in inks, density and layers; None if under five.

        ``like`` says what they share and ``unlike`` names what else the enquiry gives, in which
        they may differ: what they say is not what an estimate of all attributes says.
        """
        name = cell_name(str(enquiry.inks), enquiry.ink_density, enquiry.layering)
        found = self.cells.get(name)
        if found is None:
            return None
        others = [name for name in (*LEVELLED, *NUMERIC) if name not in SHARED]
        unlike = [name for name in others if getattr(enquiry, name) is not None]
        like = f"{name}, wanting lightening" if self.lightening else name
        return {"like": like, **found, "unlike": unlike}

    def doubts(self, enquiry: Enquiry) -> tuple[str, tuple[str, ...]]:
        """Return how well the log covers an enquiry, and a note for each doubt."""
        few = self.n_there < FEWEST_REACHED
        found = [(1, self._few_there())] if few else []
        alike = self.similar(enquiry)
        if not few and (alike is None or not alike["reached"]):
            found.append((1, few_alike(alike)))
        found += [*self._rare_levels(enquiry, few), *self._far_numbers(enquiry)]
        worst = max((grade for grade, _ in found), default=0)
        return ("well covered", "thin", "outside")[worst], tuple(note for _, note in found)

    def _rare_levels(self, enquiry: Enquiry, few: bool) -> Iterator[tuple[int, str]]:
        for name in (*LEVELLED, "inks"):
            known = self.levels.get(name, {})
            if not known:  # never recorded: that no course has it says nothing of the enquiry
                continue
            for level in str(getattr(enquiry, name) or "").split(";"):
                count, done = known.get(level, 0), self.finished.get(name, {}).get(level, 0)
                if level and count < THIN:
                    said = f"{counted(count)} with {spoken(name, level)} in this log."
                    yield 1 if count else 2, said
                elif level and done < FEW and self.finished and not few:
                    yield 1, few_finished(done, count, f" with {spoken(name, level)}")

    def _far_numbers(self, enquiry: Enquiry) -> Iterator[tuple[int, str]]:
        for name in NUMERIC:
            value, (low, high) = getattr(enquiry, name), self.ranges.get(name, (0.0, np.inf))
            if value is not None and not low <= value <= high:
                unit = column("courses", name).unit
                given = f"{spoken(name, '')} is {value:g} {unit}"
                yield 2, f"{given}; the log has {low:g} to {high:g}."

    def unrecorded(self, enquiry: Enquiry) -> tuple[str, ...]:
        """Return the attributes that the enquiry gives and no course of the log does."""
        names = [name for name in LEVELLED if not self.levels.get(name)]
        names += [name for name in NUMERIC if name not in self.ranges]
        given = [name for name in names if getattr(enquiry, name) is not None]
        return tuple(given) if self.n_courses else ()

    def absent(self, enquiry: Enquiry) -> tuple[str, ...]:
        """Return the optional attributes that the enquiry does not give."""
        return tuple(
            name
            for name in dict.fromkeys(COVARIATES.values())
            if name in Enquiry.__slots__ and getattr(enquiry, name) is None
        )

    def filled(self, found: Mapping[str, float]) -> dict[str, list[float]]:
        """Return covariates with each missing one spread over the log's own values.

        Missing attributes are combined by shifting one against another, so that eight rows
        stand for their joint mix.
        """
        spread: dict[str, list[float]] = {}
        shifts = {name: 3 * k for k, name in enumerate(dict.fromkeys(COVARIATES.values()))}
        missing = any(np.isnan(value) for value in found.values())
        for name, value in found.items():
            if not np.isnan(value):
                spread[name] = [value] * (N_FILLS if missing else 1)
            else:
                values, shift = self.fills[name], shifts[COVARIATES[name]]
                spread[name] = [values[(k + shift) % N_FILLS] for k in range(N_FILLS)]
        return spread

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return asdict(self)

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Reference:
        """Return the reference that :meth:`to_dict` wrote."""
        return cls(
            **{
                **stored,
                "ranges": {name: tuple(ends) for name, ends in stored["ranges"].items()},
                "fills": {name: tuple(values) for name, values in stored["fills"].items()},
                "lasers": tuple((regime, tuple(nm)) for regime, nm in stored["lasers"]),
                "lightening": (own := stored.get("lightening")) and Lightening(**own),
            }
        )


def fills(values: pd.Series[float], name: str) -> tuple[float, ...]:
    """Return eight evenly spaced quantiles of a covariate, or defaults when it is never given."""
    known = values.dropna()
    if len(known) < FEW:
        return DEFAULT_FILLS.get(name, (0.0,) * N_FILLS)
    at = (np.arange(N_FILLS) + 0.5) / N_FILLS
    return tuple(float(value) for value in np.quantile(known, at, method="inverted_cdf"))


def cell_name(inks: str, density: str, layering: str) -> str:
    """Return the cell in which past courses are counted."""
    layers = "several layers" if layering == "layered" else "a single layer"
    return f"{INKS_SAID[ink_group(inks)]}, {density} density, {layers}"


def cells_of(courses: pd.DataFrame, rows: pd.DataFrame) -> dict[str, dict[str, int | None]]:
    """Return counts of courses by ink group, density and layers, cells under five left out."""
    from forecast.survival import LifeTable

    kinds = courses.groupby(["inks", "ink_density", "layering"], dropna=False, sort=False)
    names = np.array([cell_name(*kind) for kind in kinds.size().index])
    distinct, cell = np.unique(names, return_inverse=True)
    of_course = cell[kinds.ngroup().to_numpy()]
    found: dict[str, dict[str, int | None]] = {}
    for place, name in enumerate(distinct):
        own = rows[of_course == place]
        if len(own) < FEW:
            continue
        half_by = None
        if own["observed"].any():
            known = own[is_judged(own)]
            spells = Durations.from_frame(
                known, step="step", observed="observed", entry="entry", covariates=[]
            )
            half = LifeTable().fit(spells).predict({}, int(known["step"].max())).median()[0]
            half_by = int(half) if np.isfinite(half) else None
        reached = int(own["observed"].sum())
        found[str(name)] = {"n": len(own), "reached": reached, "half_by": half_by}
    return found


def few_finished(done: int, count: int, what: str = "") -> str:
    """Return that few of the log's courses have reached the goal."""
    plural = "" if count == 1 else "s"
    return f"{done or 'None'} of {count} course{plural}{what} in this log reached the goal."


def few_alike(alike: Mapping[str, Any] | None) -> str:
    """Return that courses like the enquiry are too few, or that none reached the goal."""
    if alike is None:
        return "Fewer than five courses in this log are like it in inks, density and layers."
    return few_finished(0, alike["n"], " with such inks, density and layers")


def counts_of_levels(courses: pd.DataFrame, done: npt.NDArray[np.bool_]) -> tuple[Counts, Counts]:
    """Return how many courses have each level of each attribute: of all, and of those done."""
    import pandas as pd

    every: Counts = {}
    finished: Counts = {}
    for name in (*LEVELLED, "inks"):
        place, levels = pd.factorize(courses[name])
        for found, which in ((every, place >= 0), (finished, (place >= 0) & done)):
            counts = np.bincount(place[which], minlength=len(levels))
            found[name] = most_first(zip(map(str, levels), counts.tolist(), strict=True))
    return every, finished


def most_first(counts: Iterable[tuple[str, int]]) -> dict[str, int]:
    """Return how often each single level occurs among joined ones, the most frequent first."""
    found: dict[str, int] = {}
    for joined, count in counts:
        for level in joined.split(";"):
            found[level] = found.get(level, 0) + count
    return dict(sorted(((k, n) for k, n in found.items() if n), key=lambda pair: -pair[1]))


def counted(count: int) -> str:
    """Return "No course", "One course", "4 courses"."""
    return {0: "No course", 1: "One course"}.get(count, f"{count} courses")


def spoken(name: str, level: str) -> str:
    """Return an attribute's level in words."""
    words = {
        "inks": f"{level.replace('_', ' ')} ink",
        "skin_type": f"skin type {level}",
        "body_site": f"site {level.replace('_', ' ')}",
        "ink_density": f"{level} ink density",
        "layering": {"single": "a single layer", "layered": "layering"}.get(level, level),
        "origin": f"{level} origin",
        "scarring": f"scarring {level}",
        "smoker": {"yes": "a smoker", "no": "a non-smoker"}.get(level, level),
        "age_years": "The age",
        "area_cm2": "The area",
        "tattoo_age_years": "The tattoo's age",
    }
    return words[name]
