"""The rules of the outcome log: every table, its columns and what each may hold.

Plain data: the checks of a log, those of an enquiry and ``datapackage.json`` are
all made from this one table.
"""

from dataclasses import dataclass
from typing import Literal

from forecast.tattoo import INKS, SITES

Kind = Literal["id", "text", "date", "integer", "number", "level", "set", "flag"]


@dataclass(frozen=True, slots=True)
class Column:
    """What one column of the log may hold.

    Attributes
    ----------
    name : str
        Heading, with the unit where there is one.
    kind : str
        "id", "text", "date", "integer", "number", "level" (one of ``levels``), "set" (some of
        ``levels``, or numbers where there are none, joined by ``;``) or "flag" (yes or no).
    required : bool
        Whether an empty cell sets the row aside.
    levels : tuple of str
        The values allowed, in their order.
    low, high : float or None
        Limits of a number, both allowed.
    default : str or int or None
        What an empty cell means; None is "not recorded".
    kept_above : bool
        Whether a number above ``high`` is kept as written and flagged; see `counted`.
    unit : str
        Unit of a number.
    meaning : str
        One sentence for the clinic.
    """

    name: str
    kind: Kind
    required: bool = False
    levels: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    default: str | int | None = None
    kept_above: bool = False
    unit: str = ""
    meaning: str = ""

    @property
    def may_be_blank(self) -> bool:
        """Whether a cell that cannot be used is read as not recorded, and its row is used.

        Where the row rests on the cell it is set aside instead: in required columns, and in
        those where an empty cell has a meaning of its own.
        """
        return not self.required and self.default is None


def words(text: str) -> tuple[str, ...]:
    """Return the words of ``text``."""
    return tuple(text.split())


YES_NO = words("yes no")
MOST_SESSIONS = 100  # of one course; a larger count is a slip of the pen


def _session_count(
    name: str, meaning: str, *, low: int, required: bool = True, default: int | None = None
) -> Column:
    return Column(
        name,
        "integer",
        required,
        low=low,
        high=MOST_SESSIONS,
        default=default,
        unit="sessions",
        meaning=meaning,
    )


COURSES = (
    Column("course_id", "id", True, meaning="One tattoo of one client under treatment."),
    Column("client_id", "id", True, meaning="Pseudonym of the client; never a name."),
    Column("started_on", "date", True, meaning="Date of the first session here."),
    Column("age_years", "number", low=0, high=110, unit="years", meaning="Age at the start."),
    Column(
        "skin_type",
        "level",
        True,
        levels=words("I II III IV V VI"),
        meaning="Fitzpatrick skin type.",
    ),
    Column("body_site", "level", True, levels=tuple(SITES), meaning="Where the tattoo is."),
    Column("inks", "set", True, levels=INKS, meaning="All ink colours in the tattoo."),
    Column(
        "ink_density",
        "level",
        True,
        levels=words("light medium heavy"),
        meaning="How much ink there is per area.",
    ),
    Column(
        "layering",
        "level",
        True,
        levels=words("single layered"),
        meaning="Whether one tattoo covers another.",
    ),
    Column(
        "origin",
        "level",
        levels=words("amateur professional cosmetic traumatic"),
        meaning="Who or what made the tattoo.",
    ),
    Column("area_cm2", "number", low=0.01, high=10_000, unit="cm2", meaning="Area of the tattoo."),
    Column(
        "tattoo_age_years",
        "number",
        low=0,
        high=100,
        unit="years",
        meaning="Age of the tattoo at the start.",
    ),
    Column(
        "scarring",
        "level",
        levels=words("none slight marked"),
        meaning="Scarring in the tattoo before the first session.",
    ),
    Column("smoker", "flag", levels=YES_NO, meaning="Whether the client smokes."),
    Column(
        "goal",
        "level",
        levels=words("clear lighten"),
        default="clear",
        meaning="Full removal, or fading enough for a cover-up.",
    ),
    _session_count(
        "sessions_elsewhere",
        "Sessions had at another clinic before the first one here.",
        low=0,
        required=False,
        default=0,
    ),
    _session_count("sessions_given", "Sessions given here so far.", low=1),
    Column("package", "text", meaning="Name of what was sold."),
    Column(
        "price_paid",
        "number",
        low=0,
        high=1_000_000,
        unit="clinic's currency",
        meaning="Paid for the course so far.",
    ),
    _session_count("sessions_prepaid", "Sessions sold in advance.", low=0, required=False),
    Column(
        "outcome",
        "level",
        True,
        levels=words("cleared lightened stopped ongoing"),
        meaning="How the course ended, or that it has not.",
    ),
    Column(
        "stop_reason",
        "level",
        levels=words("cost moved pain reaction satisfied slow_progress other unknown"),
        meaning="Why a stopped course was stopped.",
    ),
    Column("tattoo_id", "id", meaning="The tattoo, where two courses are its two halves."),
    Column("half", "level", levels=words("A B"), meaning="Which half, in a split-tattoo trial."),
)

REGIME = Column(
    "regime", "level", True, levels=words("ns ps"), meaning="Nanosecond or picosecond pulses."
)


def _wavelengths(*, required: bool) -> Column:
    return Column(
        "wavelengths_nm",
        "set",
        required,
        low=400,
        high=1100,
        unit="nm",
        meaning="Wavelengths, joined by semicolons.",
    )


SESSIONS = (
    Column("course_id", "id", True, meaning="The course treated."),
    _session_count("session_no", "Number of the session within the course, from 1.", low=1),
    Column("treated_on", "date", True, meaning="Date of the session."),
    REGIME,
    Column("laser_id", "id", meaning="The laser used."),
    _wavelengths(required=False),
    Column(
        "fluence_j_cm2", "number", low=0.01, high=100, unit="J/cm2", meaning="Highest fluence used."
    ),
    Column("spot_mm", "number", low=0.1, high=30, unit="mm", meaning="Diameter of the spot."),
    Column("operator_id", "id", meaning="Pseudonym of who treated."),
)

GRADINGS = (
    Column("course_id", "id", True, meaning="The course graded."),
    _session_count("after_session", "Sessions given before; 0 is before the first.", low=0),
    Column("graded_on", "date", True, meaning="Date of the grading."),
    Column(
        "fading_pct",
        "number",
        True,
        low=0,
        high=100,
        kept_above=True,
        unit="%",
        meaning="Percent of ink faded.",
    ),
    Column("grader_id", "id", meaning="Pseudonym of who graded."),
)

REACTIONS = (
    Column("course_id", "id", True, meaning="The course in which it happened."),
    _session_count("after_session", "The session it followed.", low=1),
    Column(
        "reaction",
        "level",
        True,
        levels=words("blister hypopigmentation hyperpigmentation scar texture allergy darkening"),
        meaning="What was seen.",
    ),
    Column("severity", "level", levels=words("mild moderate severe"), meaning="How bad it was."),
    Column("lasting", "flag", levels=YES_NO, meaning="Whether it did not go away."),
)

LASERS = (
    Column("laser_id", "id", True, meaning="The laser."),
    REGIME,
    _wavelengths(required=True),
    Column("in_use_from", "date", meaning="First day of use."),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "courses": COURSES,
    "sessions": SESSIONS,
    "gradings": GRADINGS,
    "reactions": REACTIONS,
    "lasers": LASERS,
}

# Columns that together name a row; a table not listed may repeat.
KEYS: dict[str, tuple[str, ...]] = {
    "courses": ("course_id",),
    "sessions": ("course_id", "session_no"),
    "lasers": ("laser_id",),
}

FOREIGN_KEYS: dict[str, tuple[str, str]] = {
    "sessions": ("course_id", "courses"),
    "gradings": ("course_id", "courses"),
    "reactions": ("course_id", "courses"),
}


def column(table: str, name: str) -> Column:
    """Return the rule of one column.

    Examples
    --------
    >>> column("courses", "layering").levels
    ('single', 'layered')
    """
    return next(rule for rule in TABLES[table] if rule.name == name)


def column_names(table: str) -> tuple[str, ...]:
    """Return the headings of a table, in order.

    Examples
    --------
    >>> column_names("lasers")
    ('laser_id', 'regime', 'wavelengths_nm', 'in_use_from')
    """
    return tuple(rule.name for rule in TABLES[table])
