"""Who comes to the invented clinic, and what their inks take up."""

from forecast.invented.people import taken_nm
from forecast.log import INKS


def test_an_ink_that_is_not_listed_takes_up_what_its_group_does():
    assert "teal" not in INKS
    assert taken_nm("teal") == taken_nm("green") != taken_nm("black")
