"""Inks and body sites: what takes up which wavelength, by which publication, and their groups.

Colour seen by eye does not fix the chemistry: pigments of one colour are many compounds
(BAUMLER00), and green and iron-bearing inks in particular behave differently from what their
colour suggests (BEUTE08). The table is where to start from, not what a tattoo will do.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast._checks import nearest
from forecast._notes import filler, problem_and_remedy
from forecast._shipped import shipped
from forecast.errors import DataError, RequestError

COMMON_PRACTICE = "common_practice"
# How a finding was read, from the strongest to the weakest: in its publication, nearly always the
# abstract; in another's report of it; long ago, and recalled; in none, as the trade knows it.
MARKS = ("read", "read 2nd", "memory", "none")


@cache
def table(name: str) -> dict[str, Any]:
    """Return a table that stands beside this file: inks, sites, sources or cautions."""
    return dict(shipped(Path(__file__).with_name(f"{name}.toml")))


def mark_of(key: str) -> str:
    """Return how what is cited was read: read, read 2nd, memory or none. KeyError if unknown.

    Examples
    --------
    >>> mark_of("ROSS01"), mark_of("common_practice")
    ('read', 'none')
    """
    return "none" if key == COMMON_PRACTICE else str(table("sources")[key]["mark"])


def cite(key: str, language: str = "en") -> str:
    """Return a source's short name and how it was read, beside a claim: "ALAB15, from memory".

    ``key`` is as in the table of publications; how it was read is said in a ``language``.

    Examples
    --------
    >>> cite("ALAB15")
    'ALAB15, from memory'
    """
    how = {"memory": "from_memory", "read 2nd": "read_elsewhere"}.get(mark_of(key), "")
    return "".join(filler(language).format_field(one, "") for one in (key, how))


GRADES = ("strong", "partial", "weak", "darkening risk")
WAVELENGTHS_NM: tuple[int, ...] = tuple(table("inks")["wavelengths_nm"])
INK_GROUPS: tuple[str, ...] = tuple(table("inks")["groups"])
NEAR_NM = 12.0
LOWEST_NM, HIGHEST_NM = 400.0, 1100.0
DARKENING = "darkens_at_once"


@dataclass(frozen=True, slots=True)
class Uptake:
    """How an ink takes up one wavelength.

    Attributes
    ----------
    ink : str
        A level of the log's ``inks``.
    wavelength_nm : int
        A wavelength of ``WAVELENGTHS_NM``.
    grade : str
        One of ``GRADES``. Strong and partial count as reached.
    source : str
        A key of ``sources.toml``, or "common_practice".
    short_pulses_only : bool
        Whether only picosecond pulses earn the grade; with nanosecond pulses it is weak.
    remark : str
        Where the evidence is thin or disagrees, a term; empty when there is nothing to add.

    Examples
    --------
    >>> Uptake("red", 755, "partial", short_pulses_only=True).reached("ns")
    False
    """

    ink: str
    wavelength_nm: int
    grade: str
    source: str = COMMON_PRACTICE
    short_pulses_only: bool = False
    remark: str = ""

    def grade_with(self, regime: str | None) -> str:
        """Return the grade with pulses of ``regime``, the best of any when None."""
        return "weak" if self.short_pulses_only and regime == "ns" else self.grade

    def reached(self, regime: str | None = None) -> bool:
        """Return whether pulses of ``regime`` (any, when None) can be expected to fade the ink."""
        return self.grade_with(regime) in ("strong", "partial")

    def to_dict(self) -> dict[str, object]:
        """Return plain JSON values, the source with its mark."""
        remark = filler("en").format_field(self.remark, "")
        return asdict(self) | {"source": cite(self.source), "remark": remark}


class Ink(NamedTuple):
    """A row of the one table of inks, ``inks.toml``, whose head says what each entry means."""

    name: str
    group: str
    covariates: tuple[str, ...]
    cautions: tuple[str, ...]
    darkens: str
    uptakes: tuple[Uptake, ...]


def _ink(name: str, row: dict[str, Any]) -> Ink:
    uptakes = []
    for nm in WAVELENGTHS_NM:
        given = row.get(str(nm), row.get("otherwise", ""))
        cell = {"grade": given} if isinstance(given, str) else given
        _check_entry(name, str(nm), [cell["grade"]], GRADES)
        remark = DARKENING if cell["grade"] == "darkening risk" else ""
        uptakes.append(Uptake(name, nm, **{"remark": remark, **cell}))
    group, covariates = row.get("group", ""), row.get("covariates", [""])
    _check_entry(name, "group", [group], INK_GROUPS)
    _check_entry(name, "covariates", covariates, table("inks")["covariates"])
    cautions, darkens = tuple(row.get("cautions", ())), row.get("darkens", "")
    _check_entry(name, "darkens", [darkens], ("", "always", "cosmetic"))
    return Ink(name, group, tuple(covariates), cautions, darkens, tuple(uptakes))


def _check_entry(ink: str, entry: str, given: list[str], known: Collection[str]) -> None:
    for value in given:
        if value not in known:
            raise DataError(
                f"In inks.toml, {entry} of {ink} is {value!r}.",
                f"Fill in what it is there, of {', '.join(filter(None, known))}.",
            )


INK_TABLE = {name: _ink(name, row) for name, row in table("inks")["inks"].items()}
INKS = tuple(INK_TABLE)
# covariate -> the inks that switch it on
INK_COVARIATES: dict[str, frozenset[str]] = {
    name: frozenset(ink.name for ink in INK_TABLE.values() if name in ink.covariates)
    for name in table("inks")["covariates"]
}


@cache
def ink_group(inks: str) -> str:
    """Return ``black``, ``black and red`` or ``other colours`` for a tattoo's inks.

    The split of Bencini et al. 2012 (Arch Dermatol 148:1364), for inks joined by ``;``: a tattoo
    belongs to the last group that one of its inks is of; dark blue goes with black.

    Examples
    --------
    >>> ink_group("black;red")
    'black and red'
    """
    return max((INK_TABLE[ink].group for ink in inks.split(";")), key=INK_GROUPS.index)


@dataclass(frozen=True, slots=True)
class Laser:
    """A laser as far as reach is concerned.

    Attributes
    ----------
    regime : {"ns", "ps"}
        Nanosecond or picosecond pulses.
    wavelengths_nm : tuple of float
        What it may fire, in nm; RequestError outside 400 to 1100.
    laser_id : str
        As in the log, empty where it is not there.

    Examples
    --------
    >>> Laser("ps", (755, 1064)).wavelengths_nm
    (755.0, 1064.0)
    """

    regime: str
    wavelengths_nm: tuple[float, ...]
    laser_id: str = ""

    def __post_init__(self) -> None:
        if self.regime not in ("ns", "ps"):
            values = {"given": self.regime, "hint": nearest(self.regime, ("ns", "ps"))}
            raise RequestError(*problem_and_remedy("refused.laser_regime", values))
        checked = tuple(check_wavelength(value) for value in self.wavelengths_nm)
        object.__setattr__(self, "wavelengths_nm", checked)


def check_wavelength(value: float) -> float:
    """Return a wavelength in nm as a float, or raise RequestError outside 400 to 1100 nm."""
    if not LOWEST_NM <= float(value) <= HIGHEST_NM:
        values = {"given": value, "low": LOWEST_NM, "high": HIGHEST_NM}
        raise RequestError(*problem_and_remedy("refused.wavelength", values))
    return float(value)


def read_inks(inks: str | Iterable[str]) -> tuple[str, ...]:
    """Return the inks of a set or of text joined by ``;``, each once, in the table's order.

    Raises RequestError for an ink that is not in the table; the nearest name is offered.

    Examples
    --------
    >>> read_inks("red;black")
    ('black', 'red')
    """
    names = inks.split(";") if isinstance(inks, str) else inks
    given = {str(name).strip() for name in names} - {""}
    for name in sorted(given - set(INKS)):
        values = {"given": name, "known": [*INKS], "hint": nearest(name, INKS)}
        raise RequestError(*problem_and_remedy("refused.no_ink", values))
    return tuple(ink for ink in INKS if ink in given)


def uptake(ink: str, wavelength_nm: float) -> Uptake | None:
    """Return how ``ink`` takes up a wavelength, or None where the table has no such wavelength.

    A wavelength within 12 nm of one in the table is read as that one (752 as 755).
    """
    (name,) = read_inks([ink])
    value = check_wavelength(wavelength_nm)
    nearby = min(INK_TABLE[name].uptakes, key=lambda cell: abs(cell.wavelength_nm - value))
    return nearby if abs(nearby.wavelength_nm - value) <= NEAR_NM else None


def uptake_table() -> tuple[Uptake, ...]:
    """Return every cell of the table, ink by ink.

    Examples
    --------
    >>> sorted({cell.ink for cell in uptake_table() if cell.grade == "darkening risk"})
    ['flesh', 'white']
    """
    return tuple(cell for ink in INK_TABLE.values() for cell in ink.uptakes)


def best_uptake(ink: str, lasers: Iterable[Laser]) -> tuple[Uptake, Laser] | None:
    """Return the best cell that any of ``lasers`` offers an ink, with that laser.

    None when no laser has a wavelength of the table. Of equal grades the first laser wins. Raises
    RequestError for an ink that is not in the table.

    Examples
    --------
    >>> cell, laser = best_uptake("green", [Laser("ns", (532, 1064)), Laser("ps", (755,))])
    >>> cell.grade, laser.regime
    ('strong', 'ps')
    """
    every = ((uptake(ink, nm), laser) for laser in lasers for nm in laser.wavelengths_nm)
    offered = [(cell, laser) for cell, laser in every if cell]
    return min(offered, key=lambda it: GRADES.index(it[0].grade_with(it[1].regime)), default=None)


def unreached_inks(inks: str | Iterable[str], lasers: Iterable[Laser]) -> tuple[str, ...]:
    """Return the inks that none of ``lasers`` reaches, in the table's order.

    Examples
    --------
    >>> both = Laser("ns", (532, 1064))
    >>> unreached_inks("black;red;green", [both])
    ('green',)
    >>> unreached_inks("black;red;green", [both, Laser("ps", (755,))])
    ()
    """
    offered = [(laser.regime, value) for laser in lasers for value in laser.wavelengths_nm]
    return tuple(
        ink
        for ink in read_inks(inks)
        if not any((cell := uptake(ink, nm)) and cell.reached(regime) for regime, nm in offered)
    )


class Site(NamedTuple):
    """A body site: its region, whether on a leg or foot, and whether at the end of a limb."""

    region: str
    leg: bool = False
    end: bool = False


SITES = {name: Site(**row) for name, row in table("sites").items()}
REGIONS: dict[str, tuple[str, ...]] = {
    region: tuple(name for name, site in SITES.items() if site.region == region)
    for region in dict.fromkeys(site.region for site in SITES.values())
}

SKIN_GROUPS = {skin: group for group in ("I-II", "III-IV", "V-VI") for skin in group.split("-")}
GROUPINGS = ("skin", "inks", "density")


def groups_of(
    courses: Iterable[Any], *, sites: bool = False
) -> Mapping[str, npt.NDArray[np.object_]]:
    """Return the group of each course or enquiry in each grouping.

    ``courses`` gives objects with ``skin_type``, ``inks``, ``ink_density`` and ``body_site``:
    enquiries, or a frame's ``itertuples()``. With ``sites`` the body-site region is one more
    grouping: promises are checked by it, the correction is not made by it. Each grouping has an
    array of shape (n_courses,).

    Examples
    --------
    >>> {name: str(groups[0]) for name, groups in groups_of([enquiry], sites=True).items()}
    {'skin': 'I-II', 'inks': 'black', 'density': 'medium', 'site': 'distal_limb'}
    """
    rows = [
        (
            SKIN_GROUPS[row.skin_type],
            ink_group(str(row.inks)),
            row.ink_density,
            SITES[row.body_site].region,
        )
        for row in courses
    ]
    columns = np.array(rows, dtype=object).reshape(len(rows), 4).T
    return dict(zip((*GROUPINGS, "site") if sites else GROUPINGS, columns, strict=False))
