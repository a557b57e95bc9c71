"""The parameters of the invented clinic: how fast ink goes, who comes, which lasers, which habits.

Everything the simulator believes is a field here or stands in ``clinic.toml``, so that a study
states its clinic in one line. On which scale and by which evidence attributes act is said by the
file of each mechanism (``share``, ``noisy``, ``waning``, ``leaving``, ``practised``).
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from forecast.errors import RequestError

Mechanism = Literal["share", "noisy", "waning", "leaving", "practised"]

MOST_OPERATORS = 64

TABLES: dict[str, Any] = tomllib.loads(
    Path(__file__).with_name("clinic.toml").read_text(encoding="utf-8")
)
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

    Attributes
    ----------
    log_speed : float
        Log of the speed of the reference tattoo per nanosecond session at 8 weeks. Under "share"
        and "noisy" the fall of log remaining ink, under "leaving" the share of the original ink,
        under "waning" the dose. Under "share" the reference is professional, black, medium,
        single, 30 cm², proximal limb, non-smoker.
    effects : mapping of str to float
        Shifts of the log speed by attribute.
    client_sd, course_sd, session_sd : float
        Spread of the log speed between clients, between courses, between sessions of a course
        ("leaving": of the sessions needed, between the first two; "noisy": the third is the
        coefficient of variation).
    regime_effect, regime_effect_colour : float
        Shift of the log speed in a ps session, and the further shift for tattoos with inks
        other than black and red.
    spacing_effect : float
        Shift of the log speed per log of (weeks since the session before / 8).
    grade_sd, grader_sd : float
        Error of a grading, and spread between graders, in the log of the remaining ink.
    cleared_at, lightened_at : float
        Graded fading (percent) at which a course counts as cleared or lightened.
    grading_rate : float
        Share of visits with a recorded grading.
    dropout_base : float
        Log odds of stopping after an uncleared session, before the further terms.
    informative_dropout : bool
        Whether slow fading and reactions raise the chance of stopping.
    by_calendar, by_density, by_stalled : bool
        Whether the regime depends on the date (the ps laser comes late and takes over), on ink
        density, and on stalled fading. All false: assigned at random from the first day.
    stalled_only : bool
        Whether only stalled courses are ever changed, so that no other could have been.
    review_effect : float
        Further log odds of turning to ps in session 5: the clinic reviews a course after four.
    fleet : tuple of OwnedLaser
        What the clinic owns and since when.
    operators : int
        Number of operators.
    operator_speed_sd, operator_habit_sd, operator_reaction_sd : float
        Spread between operators of log speed, of the log odds of choosing ps, and of the log
        odds of a reaction.
    bad_operator : float
        Multiplier of the odds of a reaction for the last operator; 1 plants none.
    ps_owner : bool
        Whether the first operator fires every ps session and no other (regime and operator
        cannot be told apart).
    reaction_rate : float
        Chance of a reaction per session at skin types I to III, usual fluence, ns.
    reaction_regime : float
        Log odds ratio of a reaction, ps against ns, each at its own usual fluence.
    resistant_rate : float
        Share of tattoos with any colour of which one colour answers to no wavelength.
    elsewhere_rate, lighten_rate : float
        Share of courses begun elsewhere, and of courses that only want lightening.
    mix : CaseMix
        Who comes.
    operator_seed : int
        Draws the operators' own values: the log and later clients meet the same operators.
    mechanism : {"share", "noisy", "waning", "leaving", "practised"}
        How ink goes; ``usual_world`` gives the numbers that suit each.
    dropout_slow : float
        Further log odds of stopping when nothing at all has faded, if stopping is informative.
    eye_sd : float
        Error, in the log of the remaining ink, of the eye that judges fading when regimes are
        chosen and clients stop; 0 has them go by the gradings written down.
    scales : tuple of float
        What graders write in, percent points, operator by operator and then from the first again.
        What is rounded never crosses ``cleared_at``.
    reaction_dark : float
        Log odds ratio of a reaction, skin types V and VI against I to III.
    work_up : float
        Rise of the log of fluence from session to session, over the first seven.

    Raises
    ------
    RequestError
        If there is no operator or more than 64, a spread is negative, or the mechanism or an
        effect is unknown.
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
    """
    usual = _fixed(TABLES["usual"].get(mechanism, {}))
    usual["mix"] = CaseMix(**_fixed(usual.get("mix", {})))
    return World(mechanism=mechanism, effects=dict(EFFECTS.get(mechanism, {})), **usual)


def _fixed(table: Mapping[str, Any]) -> dict[str, Any]:
    return {name: tuple(one) if isinstance(one, list) else one for name, one in table.items()}
