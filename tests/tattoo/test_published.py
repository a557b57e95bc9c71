"""Publications by their short names, each with how it was read."""

from forecast.tattoo.cautions import CAUTIONS


def test_what_was_recalled_and_not_read_says_so():
    (gold,) = [c for c in CAUTIONS if c.key == "gold_salts"]
    assert gold.mark == "memory"
    assert gold.to_text().endswith(" [published reviews, from memory]")


def test_what_no_publication_says_is_called_common_practice():
    (minor,) = [c for c in CAUTIONS if c.key == "minor"]
    assert minor.mark == "none"
    assert minor.to_text().endswith(" [common practice, no source]")
