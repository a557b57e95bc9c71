"""Columns and levels that a log may have and need not: parts of a session, basis, usual words."""

import json

import pandas as pd
import pytest

import forecast
from forecast.errors import DataError
from forecast.fading import fit_fading
from forecast.invented import simulate_log
from forecast.log import Enquiry, OutcomeLog, column, read_log, write_log
from forecast.log.cells import read_cell
from forecast.tattoo import Laser, cautions_for, groups_of, unreached_inks


@pytest.fixture(scope="module")
def parted(invented_log) -> OutcomeLog:
    """The invented log, ten courses of which had their second session with both regimes."""
    sessions = invented_log.sessions
    recent = sessions[sessions["treated_on"] > "2022"]  # when the clinic had both
    chosen = recent[recent["session_no"] == 2].head(10)
    other = chosen.assign(part=2, regime=chosen["regime"].map({"ns": "ps", "ps": "ns"}))
    both = pd.concat([sessions, other.assign(laser_id=None, wavelengths_nm=None)])
    return OutcomeLog.from_frames(
        invented_log.courses,
        both,
        invented_log.gradings,
        invented_log.reactions,
        invented_log.lasers,
    )


def test_a_session_of_two_parts_is_one_session_and_mixed_where_they_had_both_regimes(
    invented_log, parted
):
    assert parted.report.rows["sessions"].used == len(invented_log.sessions) + 10
    assert len(parted.each_session) == len(invented_log.sessions)
    assert (parted.each_session["regime"] == "mixed").sum() == 10
    assert set(parted.sessions["regime"]) == {"ns", "ps"}
    assert len(parted.report.flagged) == len(invented_log.report.flagged)


def test_the_parts_of_a_session_are_numbered_and_on_one_day(invented_log):
    sessions = invented_log.sessions
    again = sessions.iloc[[0]].assign(wavelengths_nm="532", part=1)
    log = OutcomeLog.from_frames(invented_log.courses, pd.concat([sessions, again]))
    assert set(log.report.set_aside["column"]) == {"part"}
    late = again.assign(part=2, treated_on=sessions["treated_on"][0] + pd.Timedelta("1D"))
    log = OutcomeLog.from_frames(invented_log.courses, pd.concat([sessions, late]))
    assert "the parts of a session on one day" in set(log.report.flagged["rule"])


def test_a_mixed_session_follows_no_strategy_of_one_regime(invented_log, parted):
    def trial_of(log):
        return forecast.compare_regimes(log, horizon=8, replicates=20).diagnostics

    before, after = trial_of(invented_log), trial_of(parted)
    assert sum(after.followers.values()) < sum(before.followers.values())
    assert len(fit_fading(parted).to_dict()) == len(fit_fading(invented_log).to_dict())


def test_further_columns_are_written_where_something_stands_in_them(parted, tmp_path):
    courses = parted.courses.assign(enquired_on=parted.courses["started_on"])
    gradings = parted.gradings.assign(basis="photograph")
    log = OutcomeLog.from_frames(courses, parted.sessions, gradings)
    write_log(log, tmp_path)
    package = json.loads((tmp_path / "datapackage.json").read_text("utf-8"))
    fields = {r["name"]: [f["name"] for f in r["schema"]["fields"]] for r in package["resources"]}
    assert fields["courses"][-1] == "enquired_on"
    assert fields["sessions"][-1] == "part"
    assert fields["gradings"][-1] == "basis"
    assert package["resources"][1]["schema"]["primaryKey"] == ["course_id", "session_no", "part"]
    again = read_log(tmp_path)
    pd.testing.assert_frame_equal(again.sessions, log.sessions)
    assert again.report.set_aside.empty


def test_what_cleared_was_judged_from_is_read_shown_and_kept(tmp_path):
    log = simulate_log(30, seed=1)
    write_log(log, tmp_path)
    path = tmp_path / "datapackage.json"
    package = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps(package | {"cleared_judged": "photograph, by two graders"}))
    read = read_log(tmp_path)
    assert "was judged from: photograph, by two graders" in read.report.to_text()
    write_log(read, tmp_path / "again")
    assert read_log(tmp_path / "again").cleared_judged == "photograph, by two graders"
    path.write_text(json.dumps(package | {"cleared_judged": "a feeling"}))
    with pytest.raises(DataError, match="photograph or in_person, and by whom"):
        read_log(tmp_path)


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
        ("skin_type", "Hauttyp 3", "III"),
        ("area_cm2", "ca. 25", 25),
        ("area_cm2", "5x5", 25),
        ("age_years", "~ 39", 39),
    ],
)
def test_usual_words_are_understood(name, written, meaning):
    assert read_cell(column("courses", name), written).value == meaning


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


def test_further_inks_are_reached_and_grouped_like_their_kin():
    green, red = Laser("ns", (755,)), Laser("ns", (532,))
    assert unreached_inks("grey;pink;turquoise", [green]) == ("pink",)
    assert unreached_inks("grey;pink;turquoise", [red]) == ("turquoise",)
    asked = [
        Enquiry("II", "forearm", ink, "medium", "single") for ink in ("grey", "pink", "turquoise")
    ]
    assert list(groups_of(asked)["inks"]) == ["black", "black and red", "other colours"]
    assert "cosmetic_darkening" in {caution.key for caution in cautions_for(asked[1])}
