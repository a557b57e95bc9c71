"""What to look out for before treating: rules on an enquiry, each with its source.

The rules never give settings. They say what to ask, to test or to refer, and leave the decision
to licensed practice and local regulation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from forecast._checks import nearest
from forecast.errors import RequestError
from forecast.tattoo.inks import check_wavelength, read_inks
from forecast.tattoo.published import COMMON_PRACTICE, MARKS, cite, mark_of

if TYPE_CHECKING:
    from forecast.log import Enquiry

ADULT_AGE_YEARS = 18

FACTS: dict[str, str] = {
    "recent_tan": "Tanned or sunburnt where the tattoo is?",
    "photosensitising_drugs": "Taking a medicine that makes the skin sensitive to light?",
    "gold_salts": "Ever treated with gold salts?",
    "isotretinoin": "Isotretinoin now or recently?",
    "keloid_history": "Ever had a keloid or a raised scar?",
    "herpes_history": "Cold sores or other herpes near the site?",
    "ink_allergy": "Itch, swelling or lumps in any colour of the tattoo?",
    "granuloma": "Firm lumps in the tattoo?",
    "pigmented_lesion": "A mole or other pigmented mark in or under the tattoo?",
    "infection": "Broken or infected skin at the site?",
    "light_aggravated_disease": "A disease that light makes worse, for example lupus?",
    "unstable_skin_disease": "Vitiligo or psoriasis that is active?",
    "pregnancy": "Pregnant or breast-feeding?",
    "near_eye": "Is the tattoo within the rim of the eye socket, or on an eyelid or brow?",
    "minor": "Under 18?",
}


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing to look out for.

    Attributes
    ----------
    key : str
        The rule's name.
    kind : str
        ``"refer"``: do not start before the responsible clinician has decided;
        ``"care"``: ask, test or watch; ``"always"``: applies to every course.
    text : str
        What the matter is and what to do about it. No settings.
    sources : tuple of str
        Keys of ``sources.SOURCES``, or "common practice, no source".
    wavelengths : tuple of str
        Those named in the text, in nm.
    """

    key: str
    kind: str
    text: str
    sources: tuple[str, ...]
    wavelengths: tuple[str, ...] = ()

    @property
    def mark(self) -> str:
        """The weakest way in which a source was read, a key of ``sources.MARKS``."""
        return max(map(mark_of, self.sources), key=list(MARKS).index)

    def to_text(self) -> str:
        """Return the caution in words, with its sources."""
        return f"{self.text} [{'; '.join(map(cite, self.sources))}]"

    def to_dict(self) -> dict[str, object]:
        """Return plain JSON values."""
        return {
            "key": self.key,
            "kind": self.kind,
            "text": self.text,
            "sources": [cite(key) for key in self.sources],
            "mark": self.mark,
        }


@dataclass(frozen=True, slots=True)
class _Case:
    enquiry: Enquiry
    inks: tuple[str, ...]
    facts: frozenset[str]
    wavelengths_nm: tuple[float, ...]


def _any_ink(*names: str) -> Callable[[_Case], bool]:
    return lambda case: any(name in case.inks for name in names)


def _dark_skin(case: _Case) -> bool:
    return case.enquiry.skin_type in ("V", "VI")


def _cosmetic_shade(case: _Case) -> bool:
    warm = {"red", "orange", "yellow", "brown"} & set(case.inks)
    return bool({"white", "flesh"} & set(case.inks)) or (
        case.enquiry.origin == "cosmetic" and bool(warm)
    )


def _minor(case: _Case) -> bool:
    age = case.enquiry.age_years
    return "minor" in case.facts or (age is not None and age < ADULT_AGE_YEARS)


def _face(case: _Case) -> bool:
    return case.enquiry.body_site == "face" and "near_eye" not in case.facts


def _always(case: _Case) -> bool:
    return True


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "infection",
        "refer",
        "Infected or broken skin at the site: do not treat until it has healed.",
        ("IADVL09",),
    ),
    Caution(
        "ink_allergy",
        "refer",
        "An allergic reaction to the ink: breaking the ink up can spread what the body reacts"
        " to, and reactions of the whole body are reported. Refer to a dermatologist first.",
        ("IADVL09", "published reviews"),
    ),
    Caution(
        "granuloma",
        "refer",
        "Lumps in the tattoo may be a granuloma: refer for a diagnosis before any treatment.",
        ("IADVL09",),
    ),
    Caution(
        "pigmented_lesion",
        "refer",
        "A pigmented lesion in the tattoo must be diagnosed first; do not treat over a mole.",
        ("published reviews",),
    ),
    Caution(
        "light_aggravated_disease",
        "refer",
        "A disease that light makes worse: do not treat before its physician agrees.",
        ("IADVL09",),
    ),
    Caution(
        "unstable_skin_disease",
        "refer",
        "Active vitiligo or psoriasis can appear where skin is injured: refer first.",
        ("IADVL09",),
    ),
    Caution(
        "gold_salts",
        "refer",
        "Gold salts, now or in the past: laser light can turn the skin grey-blue for good."
        " Refer before any treatment.",
        ("published reviews",),
    ),
    Caution(
        "near_eye",
        "refer",
        "A tattoo near the eye: only with shields placed by someone trained to place them,"
        " under the licensed practitioner that local rules ask for.",
        ("ANSI-Z136.3",),
    ),
    Caution(
        "pregnancy",
        "refer",
        "Pregnant or breast-feeding: there are no safety data; postpone.",
        ("published reviews",),
    ),
    Caution(
        "minor",
        "refer",
        "Under 18: local law decides whether and with whose consent treatment is allowed.",
        (COMMON_PRACTICE,),
    ),
    Caution(
        "recent_tan",
        "care",
        "Tanned or sunburnt skin changes pigment more easily: wait until it has faded.",
        ("published reviews",),
    ),
    Caution(
        "photosensitising_drugs",
        "care",
        "A medicine that sensitises to light: ask the prescriber before starting; never"
        " advise stopping a medicine.",
        ("published reviews",),
    ),
    Caution(
        "isotretinoin",
        "care",
        "Isotretinoin: older advice was to wait six months, a 2017 consensus found little"
        " ground for delay with many lasers. The responsible clinician decides.",
        ("published reviews",),
    ),
    Caution(
        "keloid_history",
        "care",
        "A history of keloid or raised scars raises the risk of another: test spot, wait, and"
        " say so in the consent.",
        ("IADVL09",),
    ),
    Caution(
        "herpes_history",
        "care",
        "Herpes at the site can come back after treatment: ask a clinician about prevention.",
        ("published reviews",),
    ),
    Caution(
        "darker_skin",
        "care",
        "Skin type V or VI: pigment change is more frequent (in one series of 404, mostly"
        " passing darkening in 44 %). Do a test spot and wait before the first full session.",
        ("LAPIDOTH04", "HAIK16"),
    ),
    Caution(
        "cosmetic_darkening",
        "care",
        "White, flesh, pink or warm cosmetic ink can turn grey or black at once and then"
        " respond poorly: test spot first, and say so beforehand.",
        ("LEU15", "ROSS01", "ANDERSON93"),
    ),
    Caution(
        "yellow_ink",
        "care",
        "Yellow ink answers poorly and has been seen to darken: test spot first.",
        ("VARMA02",),
    ),
    Caution(
        "brown_ink",
        "care",
        "Brown ink can darken before it fades: test spot first.",
        ("LEU15",),
    ),
    Caution(
        "red_ink",
        "care",
        "Red and yellow inks cause most ink allergies: ask about itch, swelling or lumps in"
        " those parts at every visit.",
        ("published reviews",),
    ),
    Caution(
        "face_eyes",
        "care",
        "On the face: find out whether any part lies near the eye; everyone's eyes need"
        " protection throughout.",
        ("ANSI-Z136.3",),
    ),
    Caution(
        "eyewear",
        "always",
        "Everyone in the room wears eyewear rated for the wavelength in use.",
        ("ANSI-Z136.3",),
    ),
    Caution(
        "consent",
        "always",
        "Consent names scar, lasting pigment change, darkening, flare of a hidden skin"
        " disease, and a tattoo that is not fully removed or leaves a shadow.",
        ("CPD15", "KHUNGER15"),
    ),
    Caution(
        "local_rules",
        "always",
        "This is not medical advice. Local regulation and the licensed practitioner decide who"
        " may treat and how; local rules build on IEC 60825-1 and ANSI Z136.3.",
        ("IEC-60825-1", "ANSI-Z136.3"),
    ),
)

# A rule named after a fact applies when the fact was answered with yes; the others are here.
_APPLIES: dict[str, Callable[[_Case], bool]] = {
    "minor": _minor,
    "darker_skin": _dark_skin,
    "cosmetic_darkening": _cosmetic_shade,
    "yellow_ink": _any_ink("yellow"),
    "brown_ink": _any_ink("brown"),
    "red_ink": _any_ink("red", "yellow"),
    "face_eyes": _face,
    "eyewear": _always,
    "consent": _always,
    "local_rules": _always,
}


def cautions_for(
    enquiry: Enquiry,
    *,
    facts: Iterable[str] = (),
    wavelengths_nm: Iterable[float] = (),
) -> tuple[Caution, ...]:
    """Return the cautions that apply, those that call for a referral first.

    Parameters
    ----------
    enquiry : Enquiry
        The tattoo and its client.
    facts : iterable of str
        What was answered with yes at the consultation: keys of ``FACTS``. What was not asked is
        not known to be absent.
    wavelengths_nm : iterable of float
        The wavelengths the lasers at hand may use, in nm; they are named in the eyewear rule.

    Raises
    ------
    RequestError
        For a fact that is not in ``FACTS`` or a wavelength outside 400 to 1100 nm.

    Notes
    -----
    Sources are those of each caution. No rule gives a setting.
    """
    given = frozenset([facts] if isinstance(facts, str) else facts)
    for name in sorted(given - set(FACTS)):
        raise RequestError(
            f"There is no fact {name!r}.", f"Facts are {', '.join(FACTS)}.{nearest(name, FACTS)}"
        )
    wavelengths = tuple(sorted({check_wavelength(value) for value in wavelengths_nm}))
    case = _Case(enquiry, read_inks(enquiry.inks), given, wavelengths)
    return tuple(_worded(caution, case) for caution in CAUTIONS if _applies(caution, case))


def _applies(caution: Caution, case: _Case) -> bool:
    if caution.key in _APPLIES:
        return _APPLIES[caution.key](case)
    return caution.key in case.facts


def _worded(caution: Caution, case: _Case) -> Caution:
    if caution.key != "eyewear" or not case.wavelengths_nm:
        return caution
    named = tuple(f"{value:g}" for value in case.wavelengths_nm)
    text = (
        f"{caution.text.removesuffix('.')}: here {', '.join(named)} nm."
        " Eyewear for one of them does not protect against another."
    )
    return replace(caution, text=text, wavelengths=named)
