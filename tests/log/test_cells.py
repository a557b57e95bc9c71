"""Spellings: read where the meaning is certain, refused where it is not."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast._notes import languages, texts_of
from forecast.invented import simulate_log
from forecast.log.cells import (
    UnreadableError,
    as_text,
    date_order,
    first_unknown,
    folded,
    meant,
    read_cell,
    rule_of,
    says_none,
    says_nothing,
)
from forecast.log.columns import ALL_TABLES, TABLES, column
from forecast.log.outcome_log import OutcomeLog, read_log, write_log
from forecast.tattoo import INKS, SITES

CERTAIN = [
    ("skin_type", "iv", "IV"),
    ("skin_type", "4", "IV"),
    ("skin_type", "4.0", "IV"),
    ("skin_type", "Type IV", "IV"),
    ("skin_type", "Fitzpatrick 2", "II"),
    ("body_site", " Upper Arm ", "upper_arm"),
    ("body_site", "lower-leg", "lower_leg"),
    ("inks", "Black, Dark Blue", "black;dark_blue"),
    ("inks", "red/black", "black;red"),
    ("inks", "black and green", "black;green"),
    ("inks", "red;black;red;", "black;red"),
    ("smoker", "Y", "yes"),
    ("smoker", "1", "yes"),
    ("smoker", "FALSE", "no"),
    ("smoker", "n/a", None),
    ("scarring", "none", "none"),
    ("stop_reason", "unknown", "unknown"),
    ("outcome", "Cleared", "cleared"),
    ("age_years", "34,5", 34.5),
    ("age_years", "34 years", 34.0),
    ("price_paid", "€ 1,250.50", 1250.5),
    ("price_paid", "1.250,50", 1250.5),
    ("area_cm2", "12 cm²", 12.0),
    ("sessions_given", "6.0", 6),
    ("age_years", "-", None),
    ("client_id", "  P 12 ", "P 12"),
]


@pytest.mark.parametrize(("name", "written", "meaning"), CERTAIN)
def test_a_certain_meaning_is_read(name, written, meaning):
    assert read_cell(column("courses", name), written).value == meaning


UNCERTAIN = [
    ("skin_type", "III-IV"),
    ("skin_type", "7"),
    ("body_site", "arm"),
    ("inks", "black;gold"),
    ("inks", ";"),
    ("smoker", "sometimes"),
    ("age_years", "1,250"),
    ("price_paid", "about 30"),
    ("area_cm2", "1.200"),
    ("price_paid", "€ 1.200"),
    ("age_years", "30-35"),
    ("age_years", "inf"),
    ("age_years", "1e999"),
    ("sessions_given", "4.5"),
    ("sessions_given", "six"),
    ("started_on", "03/04/2024"),
    ("started_on", "2024-02-30"),
    ("started_on", "24-03-01"),
    ("started_on", "1901-01-01"),
    ("started_on", "March 2024"),
    ("outcome", "#REF!"),
    ("client_id", "=A2&B2"),
]


@pytest.mark.parametrize(("name", "written"), UNCERTAIN)
def test_an_uncertain_meaning_is_refused_with_the_rule(name, written):
    with pytest.raises(UnreadableError, match=r"\w+ \w+"):
        read_cell(column("courses", name), written)


@pytest.mark.parametrize(
    ("area", "paid", "areas", "prices"),
    [
        (["12,5", "30,5", "1.050"], ["1.200", "980,50", "2.400"], [1050], [1200, 2400]),
        (["12,5", "30", "1.050 cm2"], ["1.200", "980", "2.400"], [1050], [1200, 2400]),
        (["12.5", "30.5", "1.050"], ["1.200", "980", "2.400"], [1.05], [1.2, 2.4]),
        (["12.500", "30.000", "1.050"], ["120.000", "980.000", "2.400"], [1.05], [120, 2.4]),
        (["12", "30", "1.050"], ["1.200", "980", "2.400"], [None], [None, None]),
        (["12,5", "30.5", "1.050"], ["1.200", "980,5", "2.400"], [None], [1200, 2400]),
        ([12, 30, 1.125], [1.125, 980, 2], [1.125], [1.125, 2]),
    ],
)
def test_a_point_before_three_digits_is_what_the_numbers_beside_it_show(area, paid, areas, prices):
    courses = simulate_log(9, seed=3).courses.head(3)
    log = OutcomeLog.from_frames(courses.assign(area_cm2=area, price_paid=paid))
    found = [*log.courses["area_cm2"][2:], *log.courses["price_paid"][[0, 2]]]
    assert found == pytest.approx([float(one or "nan") for one in areas + prices], nan_ok=True)
    assert len(log.report.flagged) == (areas + prices).count(None)


def test_what_was_written_down_as_a_number_is_no_matter_of_marks(tmp_path):
    assert as_text(1.125) == as_text(Decimal("1.125")) == "1.1250"
    courses = simulate_log(9, seed=3).courses.head(1).assign(area_cm2=1.125, age_years=30.0)
    write_log(OutcomeLog.from_frames(courses.assign(tattoo_age_years=4.0)), tmp_path)
    assert [*read_log(tmp_path).courses["area_cm2"]] == [1.125]


@pytest.mark.parametrize(
    "written",
    [
        "2024-03-01",
        "2024-3-1",
        "2024/03/01",
        "2024.03.01",
        "20240301",
        "2024-03-01 00:00:00",
        "2024-03-01T14:30",
        "1 March 2024",
        "1st Mar 2024",
        "March 1, 2024",
        "01-Mar-2024",
        "45352",  # days since 1899-12-30: how spreadsheets store this date
        "45352.5",
    ],
)
def test_dates_whose_day_is_certain_are_read(written):
    assert read_cell(column("courses", "started_on"), written).value == date(2024, 3, 1)


def test_the_order_of_day_and_month_needs_proof_from_the_same_table():
    started = column("courses", "started_on")
    assert date_order(["03/04/2024", "31/12/2024"]) == "day"
    assert date_order(["03/04/2024", "12/31/2024"]) == "month"
    assert date_order(["03/04/2024", "05/06/2024"]) is None
    assert date_order(["31/12/2024", "12/31/2024"]) is None
    assert date_order(["03/04/2024", "30/02/2024"]) is None  # no day proves nothing
    assert read_cell(started, "03/04/2024", order="day").value == date(2024, 4, 3)
    assert read_cell(started, "03/04/2024", order="month").value == date(2024, 3, 4)
    assert read_cell(started, "04/04/2024").value == date(2024, 4, 4)
    assert read_cell(started, "31.12.2024").value == date(2024, 12, 31)


def test_with_points_the_day_is_first_unless_other_dates_say_otherwise():
    rule = column("courses", "started_on")
    assert date_order(["03.04.2024", "31.12.2024"]) == "day"
    assert date_order(["05.06.2024", "31.12.2024", "12/31/2024"]) == "month"
    assert read_cell(rule, "03.04.2024").value == date(2024, 4, 3)
    with pytest.raises(UnreadableError, match="which part is the day"):
        read_cell(rule, "03.04.2024", order="month")
    with pytest.raises(UnreadableError, match="which part is the day"):
        read_cell(rule, "03/04/2024")


@pytest.mark.parametrize("said", ["negro y rojo", "NERO E ROSSO", "schwarz UND rot"])
def test_inks_are_joined_by_and_in_five_languages(said):
    assert read_cell(column("courses", "inks"), said).value == "black;red"


def test_the_log_own_spelling_needs_no_tolerance():
    for rules in TABLES.values():
        for rule in rules:
            for level in rule.levels:
                assert read_cell(rule, level) == (level, ())


@given(st.sets(st.sampled_from(INKS), min_size=1), st.randoms(use_true_random=False))
def test_a_set_reads_the_same_in_any_order_and_case(inks, random):
    shuffled = list(inks)
    random.shuffle(shuffled)
    rule = column("courses", "inks")
    plain = read_cell(rule, ";".join(inks)).value
    assert plain == ";".join(ink for ink in INKS if ink in inks)
    assert read_cell(rule, ", ".join(ink.upper() for ink in shuffled)).value == plain


@given(st.sampled_from(sorted(SITES)), st.sampled_from([" ", "-", "_", "  "]), st.booleans())
def test_sites_read_the_same_whatever_joins_their_words(site, mark, upper):
    written = site.replace("_", mark)
    written = written.upper() if upper else written.title()
    assert read_cell(column("courses", "body_site"), written).value == site


@given(st.dates(date(1980, 1, 1), date(2099, 12, 31)))
def test_every_date_reads_back_from_its_own_forms(day):
    rule = column("courses", "started_on")
    serial = (day - date(1899, 12, 30)).days
    for written in (day.isoformat(), f"{day:%d %B %Y}", f"{day:%Y%m%d}", str(serial)):
        assert read_cell(rule, written).value == day
    assert read_cell(rule, f"{day:%d/%m/%Y}", order="day").value == day


@given(st.text(max_size=30))
def test_any_text_is_either_read_or_refused(text):
    for rules in TABLES.values():
        for rule in rules:
            try:
                value, _ = read_cell(rule, text)
            except UnreadableError:
                continue
            assert value is None or isinstance(value, str | int | float | date)
            if value is None:
                assert len(text.strip()) <= len("not recorded")


@pytest.mark.parametrize(
    ("name", "written", "meaning"),
    [
        ("body_site", "Calf", "lower_leg"),
        ("body_site", "ribs", "chest"),
        ("body_site", "Augenbraue", "face"),
        ("body_site", "lip", "face"),
        ("body_site", "Kopfhaut", "face"),
        ("inks", "grey wash", "grey"),
        ("inks", "Schwarz und Türkis", "black;turquoise"),
        ("smoker", "Ja", "yes"),
        ("smoker", "nein", "no"),
        ("layering", "Cover-up", "layered"),
        ("outcome", "abgebrochen", "stopped"),
        ("outcome", "läuft noch", "ongoing"),
        ("outcome", "abandon", "stopped"),
        ("skin_type", "Hauttyp 3", "III"),
        ("area_cm2", "ca. 25", 25),
        ("area_cm2", "5x5", 25),
        ("age_years", "~ 39", 39),
    ],
)
def test_usual_words_are_understood(name, written, meaning):
    assert read_cell(column("courses", name), written).value == meaning


@pytest.mark.parametrize(
    ("name", "written"), [("outcome", "fertig"), ("outcome", "terminé"), ("body_site", "bras")]
)
def test_a_word_that_may_mean_either_is_asked(name, written):
    with pytest.raises(UnreadableError):  # ended is not cleared, and an arm has two parts
        read_cell(column("courses", name), written)


def test_a_risk_is_never_put_to_the_milder_side():
    courses = simulate_log(10, seed=9).courses
    courses.loc[3, ["body_site", "skin_type"]] = ["arm", "II-III"]
    remedies = OutcomeLog.from_frames(courses).report.set_aside["remedy"].tolist()
    assert remedies[1].endswith("Give III, the higher one, where both are meant.")
    assert remedies[0].endswith("Perhaps upper_arm or forearm is meant.")


def test_a_year_of_two_digits_is_read_where_other_dates_prove_the_order():
    courses = simulate_log(10, seed=9).courses.astype({"started_on": object})
    courses["started_on"] = "21.06.2021"
    courses.loc[3, "started_on"] = "7.6.22"
    log = OutcomeLog.from_frames(courses)
    assert str(log.courses["started_on"][3].date()) == "2022-06-07"
    courses["started_on"] = "7.6.22"
    assert OutcomeLog.from_frames(courses).report.rows["courses"].used == 0


def test_texts_are_folded_and_values_of_any_type_written_as_a_person_would():
    assert [folded("Weiß"), folded("grün")] == ["weiss", "grun"]
    written = [as_text(value) for value in (3.0, True, {"red", "black"}, float("nan"))]
    assert written == ["3", "yes", "black;red", None]


def test_the_part_of_a_set_that_is_no_level_is_named():
    assert first_unknown(column("courses", "inks"), "Black, grean") == "grean"
    assert meant(column("courses", "body_site"), "arm") == " Perhaps upper_arm or forearm is meant."


def test_the_german_words_that_a_rule_names_are_read_as_its_levels():
    for rule in (one for of in TABLES.values() for one in of if one.levels):
        said = rule_of(rule).say("de").partition(" von ")[2].removesuffix(", durch ; getrennt")
        assert tuple(read_cell(rule, word).value for word in said.split(", ")) == rule.levels


def test_a_german_report_writes_days_as_germans_do_and_quotes_cells_as_they_are():
    courses = simulate_log(30, seed=1).courses.astype({"started_on": object})
    courses.loc[0, "started_on"] = "31/12/2020"
    courses.loc[1, "started_on"] = "soon"
    said = OutcomeLog.from_frames(courses).report.to_text(language="de")
    assert "'31/12/2020' gelesen als '31.12.2020'" in said
    assert (
        "'soon'. Bitte schreiben: ein Datum als TT.MM.JJJJ, von 01.01.1980 bis 31.12.2099." in said
    )


def test_every_unit_of_the_log_has_its_german_word_or_is_the_same_in_both():
    units = {rule.unit for rules in ALL_TABLES.values() for rule in rules} - {"", "nm", "mm", "%"}
    assert units <= texts_of("de")["terms"].keys()


@pytest.mark.parametrize(
    ("written", "month"),
    [
        ("5. März 2021", 3), ("5. Mai 2021", 5), ("5. Oktober 2021", 10), ("5 Dez 2021", 12),
        ("5. Mrz. 2021", 3), ("5. Sept. 2021", 9), ("5. Jänner 2021", 1), ("5 Maerz 2021", 3),
        ("1er août 2021", 8), ("5 juin 2021", 6), ("5 juil. 2021", 7), ("5 de mayo de 2021", 5),
        ("5 gennaio 2021", 1), ("5 settembre 2021", 9), ("Sept 5, 2021", 9), ("5-Dec-21", 12),
        ("05. Mai 21", 5),
    ],
)  # fmt: skip
def test_months_are_read_in_five_languages(written, month):
    day = 1 if "1er" in written else 5
    assert read_cell(column("courses", "started_on"), written).value == date(2021, month, day)


def test_every_month_of_every_language_is_read_in_full_and_by_three_letters():
    rule = column("courses", "started_on")
    for code in languages():
        for n, month in enumerate(texts_of(code)["months"], start=1):
            for name in (month, month[:3], month.upper()):
                assert read_cell(rule, f"5. {name} 2021").value == date(2021, n, 5)


@pytest.mark.parametrize("written", ["5 Mond 2021", "5 jui 2021", "21 Mai 5 2021"])
def test_what_is_no_month_or_no_day_is_not_read(written):
    with pytest.raises(UnreadableError):
        read_cell(column("courses", "started_on"), written)


def test_days_far_apart_prove_the_order_of_dates_with_years_of_two_digits():
    assert date_order(["24.02.21", "31.03.22", "15.04.21", "05.01.21"]) == "day"
    assert date_order(["02/24/21", "03/30/22", "01/05/21"]) == "month"
    assert date_order(["24.02.21", "25.02.22"]) is None  # could be years
    assert date_order(["21-02-24", "21-12-03", "22-03-31"]) is None  # are years
    assert date_order(["05.06.21", "07.08.22"]) is None
    assert date_order(["24.02.21", "05.04.2022"]) == "day"  # which ends with a year
    assert date_order(["24.02.21", "02.28.21", "01.01.21"]) is None


def test_a_year_of_two_digits_lies_between_1980_and_2079():
    rule = column("courses", "started_on")
    found = [read_cell(rule, f"24.02.{year}", order="day").value for year in ("80", "99", "21")]
    assert [day.year for day in found] == [1980, 1999, 2021]


def test_an_order_that_is_stated_holds_for_points_too():
    rule = column("courses", "started_on")
    for written in ("03.04.2024", "03.04.24", "03/04/2024"):
        assert read_cell(rule, written, order="day", stated=True).value == date(2024, 4, 3)
        assert read_cell(rule, written, order="month", stated=True).value == date(2024, 3, 4)
    with pytest.raises(UnreadableError, match="which part is the day"):
        read_cell(rule, "03.04.24", order="month")
    with pytest.raises(UnreadableError, match='in a map date_order = "day"'):
        read_cell(rule, "03.04.24")


def test_none_and_nothing_are_told_apart():
    assert all(map(says_none, ["keine", "Keine", "nein", "none", "-", "--", "o.B.", "aucun"]))
    assert not any(map(says_none, ["", "?", "unbekannt", "Blasen", "kein Eintrag"]))
    assert all(map(says_nothing, ["", " ", "?", "unbekannt", "-"]))
    assert not any(map(says_nothing, ["0", "keine", "nein"]))
