"""What does not fit a course is told at its field, and nothing of it is kept."""

import pytest

from forecast.daybook import MisfitError, read_promises

from .conftest import promised, visit


def test_what_does_not_fit_is_told_at_its_field(book):
    kept = book.keep(promised(), by="op1")
    course = book.course(kept.course_id)
    course = book.write_session(kept.course_id, visit(8, 0), version=course.version, by="op1")

    def refused(field, **given):
        sure = given.pop("sure", False)
        cells = {"weeks_ago": 1, **given}
        with pytest.raises(MisfitError) as told:
            book.write_session(
                kept.course_id, visit(**cells), version=course.version, by="op1", sure=sure
            )
        assert told.value.field == field

    refused("treated_on", weeks_ago=9)
    refused("treated_on", weeks_ago=-3)
    refused("regime", regime="")
    refused("wavelengths_nm", wavelengths_nm="20")
    refused("passes", passes=50)
    refused("operator_id", operator_id="Anna Schmidt")
    refused("grader_id", percent=10, grader_id="peter")
    refused("laser_id", laser_id="call 0171 5551234")
    refused("laser_id", laser_id="x" * 60)
    refused("reaction", severity="mild")
    refused("fading_pct", percent=140)
    refused("fading_pct", percent=97)
    for outcome, field in (("cleared", "outcome"), ("stopped", "stop_reason"), ("x", "outcome")):
        given = {"version": course.version, "by": "op1", "stop_reason": "Anna moved"}
        with pytest.raises(MisfitError) as told:
            book.end(kept.course_id, outcome=outcome, **given)
        assert told.value.field == field
    assert book.course(kept.course_id).version == course.version
    sure = {"version": course.version, "by": "op1", "sure": True}
    assert book.end(kept.course_id, outcome="cleared", **sure).outcome == "cleared"
    with pytest.raises(MisfitError, match="has ended"):
        book.write_session(kept.course_id, visit(1), version=course.version + 1, by="op1")
    for asked in ("2", "k901", "anna"):
        with pytest.raises(MisfitError, match="no promise, course or pseudonym"):
            book.find(asked)
    for name in ("Anna", "anna schmidt", "schmidt1", "a@b.example", "0171 5551234", "", "x" * 60):
        with pytest.raises(MisfitError):
            book.keep(promised(name), by="op1")
        with pytest.raises(MisfitError):
            book.keep(promised(), by=name)
    assert len(read_promises(book.path)) == 1


def test_misfits_can_be_sent_between_processes():
    import pickle

    from forecast._notes import Note

    error = MisfitError("code", Note("daybook.not_found"))
    assert pickle.loads(pickle.dumps(error)).field == "code"
