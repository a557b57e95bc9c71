"""Whatever is read ends in an answer or a ForecastError, soon, and no row goes unaccounted for."""

import pytest

from tests.fuzz.cases import KINDS, Maker, run


@pytest.fixture(scope="module")
def made(forecaster, tmp_path_factory):
    return Maker.of(forecaster, tmp_path_factory.mktemp("made"))


def wrong_ends(made, kind, folder, cases):
    found = []
    for seed in cases:
        place = folder / str(seed)
        place.mkdir()
        found += filter(None, [run(made, kind, seed, place)])
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_no_damage_ends_in_a_traceback(made, tmp_path, kind):
    assert wrong_ends(made, kind, tmp_path, range(12)) == []


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_no_damage_of_many_ends_in_a_traceback(made, tmp_path, kind):
    assert wrong_ends(made, kind, tmp_path, range(1000, 1200)) == []


MET = [
    ("toml", 2), ("toml", 14), ("toml", 1081), ("toml", 1152),
    ("parquet_folder", 43), ("parquet_folder", 1034), ("model", 45), ("share", 228),
    ("odd_names", 15668005), ("toml", 53900019), ("toml", 53900051),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "seed"), MET)
def test_what_was_once_met_stays_mended(made, tmp_path, kind, seed):
    assert wrong_ends(made, kind, tmp_path, [seed]) == []
