"""The publications that ink grades and cautions rest on, each with how it was read."""

from __future__ import annotations

from dataclasses import dataclass

COMMON_PRACTICE = "common practice, no source"

# From the strongest to the weakest.
MARKS = {
    "read": "the finding was read in the publication, nearly always in its abstract",
    "read 2nd": "the finding was read in another publication's report of it",
    "memory": "the finding is recalled and was not read again",
    "none": "known in the trade; no publication is named",
}


@dataclass(frozen=True, slots=True)
class Source:
    """One publication.

    Attributes
    ----------
    key : str
        The short name used in tables.
    citation : str
        Authors, title, journal, year; "(m)" after a part that is from memory.
    mark : str
        How the finding cited here was read, a key of ``MARKS``.
    """

    key: str
    citation: str
    mark: str


_TABLE = (
    (
        "ALAB15",
        "memory",
        "Alabdulrazzaq H, Brauer JA, Bae YS, Geronemus RG. Clearance of yellow tattoo ink with a"
        " novel 532-nm picosecond laser. Lasers Surg Med 2015;47:285-288 (m).",
    ),
    (
        "ALSTER95",
        "read",
        "Alster TS. Q-switched alexandrite laser treatment (755 nm) of professional and amateur"
        " tattoos. J Am Acad Dermatol 1995;33:69-73 (m).",
    ),
    (
        "ANDERSON93",
        "memory",
        "Anderson RR, Geronemus R, Kilmer SL, et al. Cosmetic tattoo ink darkening. Arch Dermatol"
        " 1993;129:1010-1014.",
    ),
    (
        "ANSI-Z136.3",
        "memory",
        "ANSI Z136.3, safe use of lasers in health care.",
    ),
    (
        "BALEISIS23",
        "read",
        "Baleisis J, et al. Comprehensive examination of tattoo removal using a 150 ps Nd:YAG"
        " laser in a porcine model. Sci Rep 2023;13:13062.",
    ),
    (
        "BAUMLER00",
        "read",
        "Bäumler W, Eibler ET, Hohenleutner U, et al. Q-switch laser and tattoo pigments: first"
        " results of the chemical and photophysical analysis of 41 compounds. Lasers Surg Med"
        " 2000;26:13-21.",
    ),
    (
        "BERNSTEIN18",
        "read",
        "Bernstein EF, et al. A novel titanium sapphire picosecond-domain laser safely and"
        " effectively removes purple, blue, and green tattoo inks. Lasers Surg Med"
        " 2018;50:704-710.",
    ),
    (
        "BEUTE08",
        "read 2nd",
        "Beute TC, Miller CH, Timko AL, Ross EV. In vitro spectral analysis of tattoo pigments."
        " Dermatol Surg 2008;34:508-516 (m).",
    ),
    (
        "BRAUER12",
        "memory",
        "Brauer JA, Reddy KK, Anolik R, et al. Successful and rapid treatment of blue and green"
        " tattoo pigment with a novel picosecond laser. Arch Dermatol 2012;148:820-823 (m).",
    ),
    (
        "CHOI18",
        "read 2nd",
        "Choi MS, Seo HS, Kim JG, et al. Effects of picosecond laser on the multi-colored tattoo"
        " removal using Hartley guinea pig. PLoS ONE 2018;13(9):e0203370.",
    ),
    (
        "CPD15",
        "read",
        "Laser tattoo removal, precautions, and unwanted effects. Curr Probl Dermatol"
        " 2015;48:88-96.",
    ),
    (
        "HAIK16",
        "read",
        "Haik J, Kornhaber R, Harats M, et al. Q-switched Nd:YAG laser removal of facial amateur"
        " tattoos in patients with Fitzpatrick type VI. J Drugs Dermatol 2016;15:1448-1452.",
    ),
    (
        "HUTTON17",
        "read",
        "Hutton Carlsen K, Esmann J, Serup J. Tattoo removal by Q-switched YAG laser: client"
        " satisfaction. J Eur Acad Dermatol Venereol 2017;31:904-909 (m).",
    ),
    (
        "IADVL09",
        "read",
        "Aurangabadkar S, Mysore V. Standard guidelines of care: lasers for tattoos and pigmented"
        " lesions. Indian J Dermatol Venereol Leprol 2009;75(8 suppl):111-126.",
    ),
    (
        "IEC-60825-1",
        "memory",
        "IEC 60825-1, safety of laser products: equipment classification and requirements.",
    ),
    (
        "KHUNGER15",
        "read",
        "Khunger N, Molpariya A, Khunger A (m). Complications of tattoos and tattoo removal."
        " J Cutan Aesthet Surg 2015;8:30-36 (m).",
    ),
    (
        "KILMER93",
        "read",
        "Kilmer SL, Lee MS, Grevelink JM, Flotte TJ, Anderson RR. The Q-switched Nd:YAG laser"
        " effectively treats tattoos: a controlled, dose-response study. Arch Dermatol"
        " 1993;129:971-978.",
    ),
    (
        "LAPIDOTH04",
        "read",
        "Lapidoth M, Aharonowitz G. Tattoo removal among Ethiopian Jews in Israel. J Am Acad"
        " Dermatol 2004;51:906-909 (m).",
    ),
    (
        "LEU15",
        "read",
        "Leu FJ, Huang CL, Sue YM, Lee SC, Wang CC. Effects of tattoo ink's absorption spectra and"
        " particle size on cosmetic tattoo treatment efficacy. Lasers Med Sci 2015;30:303-309.",
    ),
    (
        "LEUENBERGER99",
        "memory",
        "Leuenberger ML, Mulas MW, Hata TR, et al. Comparison of the Q-switched alexandrite,"
        " Nd:YAG, and ruby lasers in treating blue-black tattoos. Dermatol Surg 1999;25:10-14.",
    ),
    (
        "ROSS01",
        "read",
        "Ross EV, Yashar S, Michaud N, et al. Tattoo darkening and nonresponse after laser"
        " treatment: a possible role for titanium dioxide. Arch Dermatol 2001;137:33-37.",
    ),
    (
        "SCIELO304",
        "read",
        "Retrospective study of 304 patients, Q-switched Nd:YAG tattoo removal. Rev Bras Cir"
        " Plást; authors and year to confirm.",
    ),
    (
        "TAYLOR90",
        "read",
        "Taylor CR, Gange RW, Dover JS, et al. Treatment of tattoos by Q-switched ruby laser: a"
        " dose-response study. Arch Dermatol 1990;126:893-899.",
    ),
    (
        "TITAN06",
        "read",
        "Titanium, a major constituent of blue ink, causes resistance to Nd:YAG (1064 nm) laser:"
        " animal experiments. Acta Derm Venereol 2006 (m).",
    ),
    (
        "VARMA02",
        "read",
        "Varma S, Swanson NA, Lee KK. Tattoo ink darkening of a yellow tattoo after Q-switched"
        " laser treatment. Clin Exp Dermatol 2002;27:461-463 (m).",
    ),
    (
        "ZELICKSON94",
        "read",
        "Zelickson BD, Mehregan DA, Zarrin AA, et al. Clinical, histologic, and ultrastructural"
        " evaluation of tattoos treated with three laser systems. Lasers Surg Med"
        " 1994;15:364-372.",
    ),
    (
        "published reviews",
        "memory",
        "General dermatology reviews, recalled; ask the treating clinician for current guidance.",
    ),
)

SOURCES: dict[str, Source] = {key: Source(key, text, mark) for key, mark, text in _TABLE}


def mark_of(key: str) -> str:
    """Return how what is cited was read, a key of ``MARKS``."""
    return "none" if key == COMMON_PRACTICE else SOURCES[key].mark


def cite(key: str) -> str:
    """Return a source's short name and how it was read, for print beside a claim.

    Examples
    --------
    >>> cite("ZELICKSON94")
    'ZELICKSON94'
    >>> cite("ALAB15")
    'ALAB15, from memory'
    >>> cite("common practice, no source")
    'common practice, no source'
    """
    how = {"memory": ", from memory", "read 2nd": ", read in another report"}
    return key + how.get(mark_of(key), "")
