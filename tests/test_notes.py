"""Notes: a code with values, said in each language, and back from plain values."""

import json
import pickle
from datetime import date

import pytest

from forecast._notes import Filler, Note, Sentence, aligned, in_language, notes_as_json, sentence

FEW = Note("fit.few_events", "caution", {"events": 3, "covariates": 1})


def test_a_note_is_said_in_each_language():
    assert str(FEW) == FEW.say("en") == "3 events for 1 covariate: effects are uncertain."
    assert FEW.say("de") not in ("", FEW.say("en"))


def test_a_note_within_a_note_survives_being_stored():
    outer = Note("text.bullet", values={"note": FEW})
    stored = json.loads(json.dumps(outer.to_dict()))
    back = Note.from_dict(stored)
    assert back == outer
    assert back.say("de") == outer.say("de")
    assert FEW.say("de") in back.say("de")


def test_notes_in_json_are_sentences_with_their_codes_beside_them():
    told = notes_as_json([FEW])
    assert told["notes"] == [str(FEW)]
    assert told["note_codes"][0]["code"] == "fit.few_events"


def test_a_sentence_is_a_text_that_knows_its_note():
    said = sentence("fit.few_events", FEW.values)
    assert said == str(FEW)
    assert said.say("de") == FEW.say("de")
    again = pickle.loads(pickle.dumps(said))
    assert isinstance(again, Sentence)
    assert again.say("de") == FEW.say("de")


def test_what_knows_one_language_only_is_left_as_it_is():
    assert in_language("plain", "de") == "plain"
    assert in_language(Sentence(FEW), "de") == FEW.say("de")


@pytest.mark.parametrize(("right", "last"), [(False, "bb  2  3"), (True, "bb  2  3")])
def test_rows_stand_below_each_other(right, last):
    line = aligned([("a", "a no"), ("bb", "2  3")], "en", to_the_right=right)[-1]
    assert (line, line.cells) == (last, ["bb", "2  3"])


@pytest.mark.parametrize("odd", [5, 2.5, True, date(2026, 1, 2), None])
def test_what_a_file_has_in_the_place_of_a_name_is_written_out(odd):
    found = {"one": odd, "many": [odd, "x"]}
    told = Filler("en").fill("{one:name}, {many:name or }", found)
    assert told == f"{odd}, {odd} or x"


def test_a_number_under_its_last_digit_is_said_to_be_so():
    held = {"low": 0.04, "high": 0.0, "low_digits": 1, "high_digits": 0}
    assert str(Note("regimes.from_fewer", values=held)) == "less than 0.1 fewer to 0 more"
    exact = Note("regimes.from_fewer", values=held | {"low_digits": 2})  # as saved before
    assert exact.say("de") == "0,04 weniger bis 0 mehr"


def test_an_unknown_code_is_an_error_and_no_silent_gap():
    with pytest.raises(KeyError):
        str(Note("no.such_code", values={"day": date(2026, 1, 2)}))
