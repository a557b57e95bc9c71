"""`forecast share`, `forecast pool` and `forecast fit --evidence` as they are typed."""

import json

import pytest

from forecast.cli import main
from forecast.invented import simulate_log


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    made = []
    for seed in (1, 2, 3):
        folder = tmp_path_factory.mktemp(f"clinic{seed}")
        log = simulate_log(14 if seed == 3 else 150, seed=seed)
        log.courses.to_csv(folder / "courses.csv", index=False)
        made.append(str(folder))
    return made


def test_two_clinics_share_and_a_third_fits_with_what_they_found(folders, tmp_path, capsys):
    shares = [str(tmp_path / f"share{n}.json") for n in (1, 2)]
    for folder, share in zip(folders, shares, strict=False):
        assert main(["share", folder, "-o", share]) == 0
    assert "no rows, dates or ids" in capsys.readouterr().out
    pooled, model = str(tmp_path / "pooled.json"), str(tmp_path / "model.json")
    assert main(["pool", *shares, "-o", pooled]) == 0
    assert "From 2 clinics" in capsys.readouterr().out
    assert main(["fit", folders[2], "-o", model, "--evidence", pooled, "--json"]) == 0
    notes = json.loads(capsys.readouterr().out)["notes"]
    assert any("2 clinics found together" in note for note in notes)
    assert main(["fit", folders[0], "-o", model, "--evidence", pooled]) == 1
    assert "count twice" in capsys.readouterr().err


def test_a_joint_fit_goes_round_by_round(folders, tmp_path, capsys):
    question, state = str(tmp_path / "next.json"), str(tmp_path / "rounds.json")
    answers = [str(tmp_path / f"answer{n}.json") for n in (1, 2)]
    step = ["pool", "--rounds", state, "-o", question, "--json"]
    assert main(step) == 0
    for _ in range(30):
        if json.loads(capsys.readouterr().out)["done"]:
            break
        for folder, file in zip(folders, answers, strict=False):
            assert main(["share", folder, "--answer", question, "-o", file]) == 0
        capsys.readouterr()
        assert main([*step, *answers]) == 0
    found = json.loads((tmp_path / "next.json").read_text())
    assert found["kind"] == "session-forecast pooled evidence"
    assert found["n_clinics"][0] == 2


def test_a_file_that_is_not_json_or_not_there_is_named(tmp_path, capsys):
    bad = tmp_path / "bad.json"
    bad.write_text("no")
    assert main(["pool", str(bad), str(bad), "-o", str(tmp_path / "x.json")]) == 1
    assert "bad.json is not JSON" in capsys.readouterr().err
    assert main(["pool", "none.json", "-o", str(tmp_path / "x.json")]) == 1
    assert "none.json" in capsys.readouterr().err
    assert not (tmp_path / "x.json").exists()
