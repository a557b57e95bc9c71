"""The parameters of the invented clinic: how fast ink goes, who comes, which lasers, which habits.

Everything the simulator believes is a field here or stands in ``clinic.toml``, so that a study
states its clinic in one line. On which scale and by which evidence attributes act is said by the
file of each mechanism (``share``, ``noisy``, ``waning``, ``leaving``, ``practised``).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from forecast._shipped import shipped
from forecast.errors import RequestError

Mechanism = Literal["share", "noisy", "waning", "leaving", "practised"]

MOST_OPERATORS = 64

TABLES: dict[str, Any] = shipped(Path(__file__).with_name("clinic.toml"))
EFFECTS: dict[str, dict[str, float]] = TABLES["effects"]  # by mechanism


@dataclass(frozen=True, slots=True)
class OwnedLaser:
    """One laser of the clinic."""

    laser_id: str
    regime: str
    wavelengths_nm: tuple[int, ...]
    from_year: float  # after the log begins; negative when owned before


FLEET = (
    OwnedLaser("yag", "ns", (532, 1064), -2.0),
    OwnedLaser("alex", "ns", (755,), 2.5),
    OwnedLaser("pico", "ps", (532, 755, 1064), 4.0),
)


@dataclass(frozen=True, slots=True)
class CaseMix:
    """Who comes: shares of the levels in the order of the log's own lists."""

    skin: tuple[float, ...] = (0.08, 0.27, 0.30, 0.20, 0.10, 0.05)
    origin: tuple[float, ...] = (0.17, 0.74, 0.06, 0.03)
    region: tuple[float, ...] = (0.07, 0.25, 0.10, 0.24, 0.34)  # as `tattoo.REGIONS`
    density: tuple[float, ...] = (0.25, 0.45, 0.30)  # amateur tattoos are lighter than this
    colour: float = 1.0  # times the odds of coloured against plain black patterns
    smoker: float = 0.28
    layered: float = 0.10
    scarring: tuple[float, ...] = (0.80, 0.15, 0.05)
    area_median_cm2: float = 35.0  # of a log-normal distribution
    tattoo_age_median: float = 5.0  # years, likewise
    sites: tuple[float, ...] | None = None  # instead of ``region``, within which sites are alike


@dataclass(frozen=True, slots=True)
class World:
    """One invented clinic, complete.

    How ink goes is the ``mechanism``; ``usual_world`` gives the numbers that suit each.
    ``log_speed`` is the log of the speed of the reference tattoo per nanosecond session at 8 weeks:
    under "share" and "noisy" the fall of log remaining ink, under "leaving" the share of the
    original ink, under "waning" the dose; under "share" the reference is professional, black,
    medium, single, 30 cm², proximal limb, non-smoker. It is shifted by ``effects`` of attributes;
    by ``regime_effect`` in a ps session and ``regime_effect_colour`` further for tattoos with inks
    other than black and red; and by ``spacing_effect`` per log of (weeks since the session before /
    8). ``client_sd``, ``course_sd`` and ``session_sd`` are its spread between clients, between
    courses, between sessions of a course ("leaving": of the sessions needed, between the first two;
    "noisy": the third is the coefficient of variation).

    A course counts as cleared or lightened at a graded fading of ``cleared_at`` and
    ``lightened_at`` percent. A grading has an error ``grade_sd`` and graders a spread
    ``grader_sd``, in the log of the remaining ink; ``grading_rate`` is the share of visits with a
    recorded one. Graders write in ``scales``, percent points, operator by operator and then from
    the first again; what is rounded never crosses ``cleared_at``. The eye that judges fading when
    regimes are chosen and clients stop has the error ``eye_sd``; 0 has them go by the gradings
    written down.

    ``dropout_base`` is the log odds of stopping after an uncleared session, before the further
    terms; with ``informative_dropout`` slow fading and reactions raise it, by ``dropout_slow`` when
    nothing at all has faded. The regime depends on the date ``by_calendar`` (the ps laser comes
    late and takes over), on ink density ``by_density``, and on stalled fading ``by_stalled``; all
    false, it is assigned at random from the first day. ``stalled_only`` has only stalled courses
    ever changed, so that no other could have been; ``review_effect`` is the further log odds of
    turning to ps in session 5: the clinic reviews a course after four.

    The clinic owns the ``fleet`` and has ``operators``, whose own values ``operator_seed`` draws:
    the log and later clients meet the same ones. ``operator_speed_sd``, ``operator_habit_sd`` and
    ``operator_reaction_sd`` are their spread in log speed, in the log odds of choosing ps, and in
    those of a reaction; ``bad_operator`` multiplies the last one's odds of a reaction, 1 plants
    none; with ``ps_owner`` the first fires every ps session and no other (regime and operator
    cannot be told apart).

    ``reaction_rate`` is the chance of a reaction per session at skin types I to III, usual fluence,
    ns; ``reaction_regime`` its log odds ratio, ps against ns, each at its own usual fluence, and
    ``reaction_dark`` that of skin types V and VI. ``work_up`` is the rise of the log of fluence
    from session to session, over the first seven. ``mix`` says who comes; of their tattoos with any
    colour ``resistant_rate`` have one that answers to no wavelength; ``elsewhere_rate`` of the
    courses were begun elsewhere, ``lighten_rate`` only want lightening.

    Raises
    ------
    RequestError
        If there is no operator or more than 64, a spread is negative, or the mechanism or an
        effect is unknown.

    Examples
    --------
    >>> World(resistant_rate=0.2).operators
    5
    """

    log_speed: float = -0.93
    effects: Mapping[str, float] = field(default_factory=lambda: dict(EFFECTS["share"]))
    client_sd: float = 0.15
    course_sd: float = 0.15
    session_sd: float = 0.25
    regime_effect: float = 0.08
    regime_effect_colour: float = 0.0
    spacing_effect: float = 0.12
    grade_sd: float = 0.08
    grader_sd: float = 0.04
    cleared_at: float = 95.0
    lightened_at: float = 70.0
    grading_rate: float = 0.9
    dropout_base: float = -3.9
    informative_dropout: bool = True
    by_calendar: bool = True
    by_density: bool = True
    by_stalled: bool = True
    stalled_only: bool = False
    review_effect: float = 1.6
    fleet: tuple[OwnedLaser, ...] = FLEET
    operators: int = 5
    operator_speed_sd: float = 0.04
    operator_habit_sd: float = 0.5
    operator_reaction_sd: float = 0.3
    bad_operator: float = 1.0
    ps_owner: bool = False
    reaction_rate: float = 0.03
    reaction_regime: float = -0.3
    resistant_rate: float = 0.05
    elsewhere_rate: float = 0.08
    lighten_rate: float = 0.07
    mix: CaseMix = field(default_factory=CaseMix)
    operator_seed: int = 0
    mechanism: Mechanism = "share"
    dropout_slow: float = 1.8
    eye_sd: float = 0.0
    scales: tuple[float, ...] = (1.0,)
    reaction_dark: float = 0.9
    work_up: float = 0.0

    def __post_init__(self) -> None:
        if self.mechanism not in EFFECTS:
            raise RequestError(
                f"The mechanism {self.mechanism!r} is unknown.", f"Use one of {', '.join(EFFECTS)}."
            )
        known = EFFECTS[self.mechanism]
        unknown = sorted(set(self.effects) - set(known))
        if unknown:
            raise RequestError(
                f"The effect {unknown[0]!r} is not one of the clinic's.",
                f"Known effects under {self.mechanism!r} are {', '.join(known)}.",
            )
        between = (self.client_sd, self.course_sd, self.session_sd)
        errors = (self.grade_sd, self.grader_sd, self.eye_sd)
        if min(*between, *errors) < 0 or not 1 <= self.operators <= MOST_OPERATORS:
            raise RequestError(
                f"The clinic has a negative spread or {self.operators} operators.",
                f"Give spreads of at least 0 and 1 to {MOST_OPERATORS} operators.",
            )


def usual_world(mechanism: Mechanism) -> World:
    """Return the usual clinic of a ``mechanism``, see the module of that name.

    A plain black tattoo needs about 7 to 12 sessions in each, and about a tenth of all courses,
    most of them with light colours, are not clear within 25. Raises RequestError for any other.

    Examples
    --------
    >>> usual_world("waning").mechanism
    'waning'
    """
    usual = _fixed(TABLES["usual"].get(mechanism, {}))
    usual["mix"] = CaseMix(**_fixed(usual.get("mix", {})))
    return World(mechanism=mechanism, effects=dict(EFFECTS.get(mechanism, {})), **usual)


def _fixed(table: Mapping[str, Any]) -> dict[str, Any]:
    return {name: tuple(one) if isinstance(one, list) else one for name, one in table.items()}
