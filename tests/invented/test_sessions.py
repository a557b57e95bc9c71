"""Session by session: which regime fires, and when."""

from dataclasses import replace

from forecast.invented import World, simulate_log


def test_ps_is_used_only_once_it_is_owned(clinic):
    log = clinic.log
    bought = log.lasers.set_index("regime").loc["ps", "in_use_from"]
    assert log.sessions.loc[log.sessions["regime"] == "ps", "treated_on"].min() >= bought
    used = log.sessions.dropna(subset=["laser_id"]).merge(log.lasers, on=["laser_id", "regime"])
    assert len(used) == log.sessions["laser_id"].notna().sum()
    assert (used["treated_on"] >= used["in_use_from"]).all()


def test_one_operator_can_own_the_ps_regime():
    log = simulate_log(300, seed=1, world=replace(World(), ps_owner=True))
    assert set(log.sessions.loc[log.sessions["regime"] == "ps", "operator_id"]) == {"op1"}
