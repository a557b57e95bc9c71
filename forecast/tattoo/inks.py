"""Which ink colours take up which wavelengths, and which inks a set of lasers reaches.

Colour seen by eye does not fix the chemistry: pigments of one colour are many compounds
(BAUMLER00), and green and iron-bearing inks in particular behave differently from what their
colour suggests (BEUTE08). The table is where to start from, not what a tattoo will do.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from forecast._checks import nearest
from forecast.errors import RequestError
from forecast.tattoo.published import COMMON_PRACTICE, cite

GRADES = ("strong", "partial", "weak", "darkening risk")
WAVELENGTHS_NM = (532, 585, 650, 694, 755, 785, 1064)
NEAR_NM = 12.0
LOWEST_NM, HIGHEST_NM = 400.0, 1100.0
CAVEAT = (
    "Colour seen by eye does not fix the chemistry of an ink (BAUMLER00, BEUTE08): the grades are"
    " where to start from, not what a tattoo will do."
)

_S, _P, _W, _D = GRADES
_CP = COMMON_PRACTICE
_Cell = tuple[str, str]

# One row per ink, one cell per wavelength of WAVELENGTHS_NM: the grade and what it rests on.
_ROWS: dict[str, tuple[_Cell, ...]] = {
    "black": (
        (_S, "ZELICKSON94"),
        (_P, "LEU15"),
        (_P, "LEU15"),
        (_S, "TAYLOR90"),
        (_S, "ZELICKSON94"),
        (_S, "BERNSTEIN18"),
        (_S, "KILMER93"),
    ),
    "dark_blue": (
        (_W, _CP),
        (_P, _CP),
        (_P, _CP),
        (_S, "LEUENBERGER99"),
        (_S, "ZELICKSON94"),
        (_S, "BERNSTEIN18"),
        (_S, "LEUENBERGER99"),
    ),
    "light_blue": (
        (_W, _CP),
        (_P, _CP),
        (_P, _CP),
        (_S, _CP),
        (_S, "ZELICKSON94"),
        (_S, "BERNSTEIN18"),
        (_W, "TITAN06"),
    ),
    "green": (
        (_W, "CHOI18"),
        (_W, _CP),
        (_P, _CP),
        (_S, _CP),
        (_S, "ZELICKSON94"),
        (_S, "BERNSTEIN18"),
        (_W, "KILMER93"),
    ),
    "red": (
        (_S, "ZELICKSON94"),
        (_P, _CP),
        (_W, _CP),
        (_W, _CP),
        (_W, "ALSTER95"),
        (_W, "BERNSTEIN18"),
        (_W, "KILMER93"),
    ),
    "orange": (
        (_S, "CHOI18"),
        (_W, _CP),
        (_W, _CP),
        (_W, _CP),
        (_W, _CP),
        (_W, _CP),
        (_W, "KILMER93"),
    ),
    "yellow": (
        (_P, "ALAB15"),
        (_W, _CP),
        (_W, _CP),
        (_W, _CP),
        (_W, _CP),
        (_W, "BERNSTEIN18"),
        (_W, "KILMER93"),
    ),
    "purple": (
        (_W, _CP),
        (_W, _CP),
        (_P, _CP),
        (_S, "ZELICKSON94"),
        (_P, _CP),
        (_S, "BERNSTEIN18"),
        (_W, _CP),
    ),
    "brown": (
        (_P, "LEU15"),
        (_W, _CP),
        (_W, _CP),
        (_W, _CP),
        (_W, _CP),
        (_W, _CP),
        (_P, "ZELICKSON94"),
    ),
    "white": ((_D, "LEU15"),) * len(WAVELENGTHS_NM),
    "flesh": ((_D, "ANDERSON93"),) * len(WAVELENGTHS_NM),
}
INKS = tuple(_ROWS)

_SHORT_PULSES_ONLY = {("yellow", 532)}
_REMARKS: dict[tuple[str, int], str] = {
    ("black", 585): "absorbs across the spectrum; no trial of removal at this wavelength",
    ("black", 650): "absorbs across the spectrum; no trial of removal at this wavelength",
    ("dark_blue", 532): "pigs at 150 ps did better (BALEISIS23)",
    ("light_blue", 532): "pigs at 150 ps did better (BALEISIS23)",
    ("light_blue", 755): "also BRAUER12 at short pulses, from memory",
    ("light_blue", 1064): "rabbits; blue ink with titanium resisted",
    ("green", 532): "pigs at 150 ps did better (BALEISIS23)",
    ("green", 1064): "clients rate green lowest after 1064 and 532 (HUTTON17)",
    ("orange", 1064): "guinea-pigs did better (ZELICKSON94)",
    ("yellow", 532): "short pulses only and not well; can darken (VARMA02)",
    ("brown", 532): "can darken first",
    ("brown", 1064): "guinea-pigs",
}
_DARKENING = "reflects or scatters light; can turn grey or black at once (ROSS01)"


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
        A key of ``sources.SOURCES``, or "common practice, no source".
    short_pulses_only : bool
        Whether only picosecond pulses earn the grade; with nanosecond pulses it is weak.
    remark : str
        Where the evidence is thin or disagrees; empty when there is nothing to add.
    """

    ink: str
    wavelength_nm: int
    grade: str
    source: str
    short_pulses_only: bool = False
    remark: str = ""

    def reached(self, regime: str | None = None) -> bool:
        """Return whether pulses of ``regime`` (any, when None) can be expected to fade the ink."""
        if self.short_pulses_only and regime == "ns":
            return False
        return self.grade in ("strong", "partial")

    def to_dict(self) -> dict[str, object]:
        """Return plain JSON values, the source with its mark."""
        return {
            "ink": self.ink,
            "wavelength_nm": self.wavelength_nm,
            "grade": self.grade,
            "source": cite(self.source),
            "short_pulses_only": self.short_pulses_only,
            "remark": self.remark,
        }


@dataclass(frozen=True, slots=True)
class Laser:
    """A laser as far as reach is concerned: its regime and its wavelengths in nm."""

    regime: str
    wavelengths_nm: tuple[float, ...]
    laser_id: str = ""

    def __post_init__(self) -> None:
        if self.regime not in ("ns", "ps"):
            raise RequestError(
                f"The regime of a laser is {self.regime!r}.",
                f"Give ns or ps.{nearest(self.regime, ('ns', 'ps'))}",
            )
        checked = tuple(check_wavelength(value) for value in self.wavelengths_nm)
        object.__setattr__(self, "wavelengths_nm", checked)


def check_wavelength(value: float) -> float:
    """Return a wavelength in nm as a float, or raise RequestError outside 400 to 1100 nm."""
    if not LOWEST_NM <= float(value) <= HIGHEST_NM:
        raise RequestError(
            f"A wavelength of {value!r} nm is outside {LOWEST_NM:.0f} to {HIGHEST_NM:.0f} nm.",
            "Give the wavelength in nm, for example 755.",
        )
    return float(value)


def read_inks(inks: str | Iterable[str]) -> tuple[str, ...]:
    """Return the inks of a set or of text joined by ``;``, each once, in the table's order.

    Raises
    ------
    RequestError
        For an ink that is not in the table; the nearest name is offered.

    Examples
    --------
    >>> read_inks("red;black")
    ('black', 'red')
    """
    names = inks.split(";") if isinstance(inks, str) else inks
    given = {str(name).strip() for name in names} - {""}
    for name in sorted(given - set(INKS)):
        raise RequestError(
            f"There is no ink {name!r}.", f"Inks are {', '.join(INKS)}.{nearest(name, INKS)}"
        )
    return tuple(ink for ink in INKS if ink in given)


def uptake(ink: str, wavelength_nm: float) -> Uptake | None:
    """Return how ``ink`` takes up a wavelength, or None where the table has no such wavelength.

    A wavelength within 12 nm of one in the table is read as that one (752 as 755).

    Examples
    --------
    >>> uptake("green", 755).grade, uptake("green", 1064).grade
    ('strong', 'weak')
    >>> uptake("black", 900) is None
    True
    """
    (name,) = read_inks([ink])
    value = check_wavelength(wavelength_nm)
    column = min(range(len(WAVELENGTHS_NM)), key=lambda at: abs(WAVELENGTHS_NM[at] - value))
    known = WAVELENGTHS_NM[column]
    if abs(known - value) > NEAR_NM:
        return None
    grade, source = _ROWS[name][column]
    remark = _REMARKS.get((name, known), _DARKENING if grade == _D else "")
    return Uptake(name, known, grade, source, (name, known) in _SHORT_PULSES_ONLY, remark)


def uptake_table() -> tuple[Uptake, ...]:
    """Return every cell of the table, ink by ink."""
    cells = (uptake(ink, wavelength) for ink in INKS for wavelength in WAVELENGTHS_NM)
    return tuple(cell for cell in cells if cell is not None)


def best_uptake(ink: str, lasers: Iterable[Laser]) -> tuple[Uptake, Laser] | None:
    """Return the best cell that any of ``lasers`` offers an ink, with that laser.

    None when no laser has a wavelength of the table. Of equal grades the first laser wins.
    """
    best: tuple[Uptake, Laser] | None = None
    lowest = len(GRADES)
    for laser in lasers:
        for wavelength in laser.wavelengths_nm:
            cell = uptake(ink, wavelength)
            if cell is None:
                continue
            held_back = cell.short_pulses_only and laser.regime == "ns"
            rank = GRADES.index("weak" if held_back else cell.grade)
            if rank < lowest:
                best, lowest = (cell, laser), rank
    return best


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
    owned = tuple(lasers)
    return tuple(ink for ink in read_inks(inks) if not _reached(ink, owned))


def _reached(ink: str, lasers: tuple[Laser, ...]) -> bool:
    cells = (
        (uptake(ink, wavelength), laser.regime)
        for laser in lasers
        for wavelength in laser.wavelengths_nm
    )
    return any(cell is not None and cell.reached(regime) for cell, regime in cells)
