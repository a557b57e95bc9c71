"""What to look out for before treating: rules on an enquiry, each with its source.

The rules never give settings. They say what to ask, to test or to refer, and leave the decision
to licensed practice and local regulation.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from forecast._checks import nearest
from forecast._notes import Note, problem_and_remedy
from forecast._plain import Result
from forecast.errors import RequestError
from forecast.tattoo.inks import INK_TABLE, MARKS, check_wavelength, cite, mark_of, read_inks, table

ADULT_AGE_YEARS = 18
LARGE_AREA_CM2 = 100.0  # to ask about numbing: common practice, no source

# What is asked at the consultation: each fact with other words for it.
FACTS: dict[str, str] = table("cautions")["facts"]
RAISED: dict[str, str] = table("cautions")["raised"]


@dataclass(frozen=True, slots=True, repr=False)
class Caution(Result):
    """One thing to look out for.

    Attributes
    ----------
    key : str
        The rule's name.
    kind : str
        ``"refer"``: do not start before the responsible clinician has decided;
        ``"care"``: ask, test or watch; ``"always"``: applies to every course.
    sources : tuple of str
        Keys of the table of publications, or "common_practice".
    wavelengths : tuple of str
        Those named in the text, in nm.
    first : str
        What a referral waits for: ``"doctor"``, ``"wait"`` (until it has passed), ``"law"`` or
        ``"shields"`` (someone trained to place them); empty for all other kinds.

    Examples
    --------
    >>> cautions_for(enquiry, facts=["minor"])[0].first
    'law'
    """

    key: str
    kind: str
    sources: tuple[str, ...]
    wavelengths: tuple[str, ...] = ()
    first: str = ""

    @property
    def note(self) -> Note:
        """What the matter is and what to do about it. No settings."""
        code = f"cautions.{self.key}{'_wavelengths' * bool(self.wavelengths)}"
        return Note(code, values={"listed": self.wavelengths})

    @property
    def text(self) -> str:
        """The same in English."""
        return str(self.note)

    @property
    def mark(self) -> str:
        """The weakest way in which a source was read: read, read 2nd, memory or none."""
        return max(map(mark_of, self.sources), key=MARKS.index)

    def to_text(self, *, language: str = "en") -> str:
        """Return the caution in words, with its sources."""
        cited = "; ".join(cite(key, language) for key in self.sources)
        return f"{self.note.say(language)} [{cited}]"

    def to_dict(self) -> dict[str, object]:
        """Return plain JSON values."""
        named = {name: getattr(self, name) for name in ("key", "kind", "first", "text")}
        return {**named, "sources": [cite(key) for key in self.sources], "mark": self.mark}


CAUTIONS: tuple[Caution, ...] = tuple(
    Caution(key, **(row | {"sources": tuple(row["sources"])}))
    for key, row in table("cautions")["cautions"].items()
)


def cautions_for(
    enquiry: Any,
    *,
    facts: Iterable[str] = (),
    all_asked: bool = True,
    wavelengths_nm: Iterable[float] = (),
) -> tuple[Caution, ...]:
    """Return the cautions that apply, those that call for a referral first.

    Parameters
    ----------
    enquiry : Enquiry
        The tattoo and its client; anything with an enquiry's attributes.
    facts : iterable of str
        What was answered with yes at the consultation: keys of ``FACTS``. What was not asked is
        not known to be absent.
    all_asked : bool
        Whether all questions of ``FACTS`` were asked; if not, a caution says so.
    wavelengths_nm : iterable of float
        The wavelengths the lasers at hand may use, in nm; they are named in the eyewear rule.

    Raises
    ------
    RequestError
        For a fact that is not in ``FACTS`` or a wavelength outside 400 to 1100 nm.

    Notes
    -----
    Sources are those of each caution. No rule gives a setting.

    Examples
    --------
    >>> [one.key for one in cautions_for(enquiry, facts=["minor"])][:3]
    ['minor', 'eyewear', 'plume']
    """
    given = check_facts([facts] if isinstance(facts, str) else facts)
    wavelengths = sorted({check_wavelength(value) for value in wavelengths_nm})
    named = tuple(f"{value:g}" for value in wavelengths)
    inks = [INK_TABLE[ink] for ink in read_inks(enquiry.inks)]
    age, origin = enquiry.age_years, enquiry.origin
    risks = ("always", "cosmetic") if origin == "cosmetic" else ("always",)
    large = (enquiry.area_cm2 or 0) > LARGE_AREA_CM2
    applies = {
        "minor": "minor" in given or (age is not None and age < ADULT_AGE_YEARS),
        "darker_skin": enquiry.skin_type in ("IV", "V", "VI"),
        "cosmetic_darkening": any(ink.darkens in risks for ink in inks),
        "face_eyes": enquiry.body_site == "face" and "near_eye" not in given,
        "local_anaesthetic": "local_anaesthetic" in given or large,
        "traumatic": origin == "traumatic" and "powder" not in given,
        "not_asked": not all_asked,
    }
    # all other rules: when the fact of their name was answered with yes, or an ink names them
    called = given.union(*(ink.cautions for ink in inks))
    return tuple(
        replace(one, wavelengths=named) if one.key == "eyewear" else one
        for one in CAUTIONS
        if one.kind == "always" or applies.get(one.key, one.key in called)
    )


def waits(cautions: Iterable[Caution]) -> bool:
    """Return whether something is to be cleared up before any date or price is given.

    Examples
    --------
    >>> waits(cautions_for(enquiry)), waits(cautions_for(enquiry, facts=["minor"]))
    (False, True)
    """
    return any(one.kind == "refer" for one in cautions)


def raised_by(reaction: Mapping[str, Any]) -> frozenset[str]:
    """Return the facts that a row of the log's table of reactions answers with yes.

    Examples
    --------
    >>> sorted(raised_by({"reaction": "allergy", "severity": "severe", "lasting": None}))
    ['ink_allergy', 'severe_reaction']
    """
    strong = reaction["severity"] == "severe" or reaction["lasting"] == "yes"
    named = RAISED.get(reaction["reaction"])
    return frozenset({named} if named else ()) | frozenset(["severe_reaction"] * strong)


def check_facts(names: Iterable[str]) -> frozenset[str]:
    """Return the names of facts, or raise RequestError for one that is not in ``FACTS``.

    Examples
    --------
    >>> sorted(check_facts(["minor", "hair"]))
    ['hair', 'minor']
    """
    given = frozenset(names)
    for name in sorted(given - set(FACTS)):
        # the fact that the word is another one for, else the word itself
        said = [key for key, words in FACTS.items() if name.casefold() in words.split()]
        values = {"name": name, "known": [*FACTS], "hint": nearest([*said, name][0], FACTS)}
        raise RequestError(*problem_and_remedy("refused.no_fact", values))
    return given
