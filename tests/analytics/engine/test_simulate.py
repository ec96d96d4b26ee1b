"""The compiled event loop against the plain one, and against cases that can be added up by hand."""

import numpy as np
import pytest
from random_shop import AFTERNOON, OFFICE, at, daily, random_case

from analytics.engine.hours import ALWAYS
from analytics.engine.network import (
    ATTENDED_TO_START,
    Edge,
    Need,
    Operation,
    Running,
    SimShop,
    Unit,
    build_network,
    mask,
)
from analytics.engine.simulate import CAUSES, HorizonTooShort, simulate
from analytics.engine.simulate_plain import simulate_plain


@pytest.mark.parametrize("seed", range(80))
def test_compiled_and_plain_give_the_same_times(seed):
    rng = np.random.default_rng(seed)
    shop, network, minutes = random_case(rng)
    finish, trace, units = simulate_plain(shop, network, minutes)
    began = trace[:, :, 0] >= 0  # all but those of a job that is left out
    target = int(rng.choice(np.unique(network.job[: network.own][began[0]])))
    result = simulate(shop, network, minutes, trace=True, target=target)
    np.testing.assert_allclose(result.finish, finish, rtol=0, atol=1e-6)
    np.testing.assert_allclose(result.trace[began], trace[began], rtol=0, atol=1e-6)
    assert np.array_equal(result.units[began], units[began])
    assert result.chain.sum() == pytest.approx(finish[:, target].mean(), abs=1e-6)
    assert result.chain.min() > -1e-6
    assert result.waits.sum() == pytest.approx(result.chain[:, [3, 4]].sum(), abs=1e-6)


def overnight_job():
    """Print unattended over night, let it outgas for 24 h, laminate, fit with two; a template beside the print."""
    shop = SimShop(
        (Unit("printer", 1, -1, 0), Unit("laminator", 0), Unit("ada", 1), Unit("ben", 2)),
        (ALWAYS, OFFICE, AFTERNOON),
    )
    needs = [
        Need("print", machines=mask([0]), people=mask([2]), people_count=1),
        Need("outgas"),
        Need("laminate", machines=mask([1]), people=mask([2]), people_count=1),
        Need("fit", people=mask([2, 3]), people_count=2),
        Need("template", people=mask([2]), people_count=1),
    ]
    operations = [
        Operation(0, 0, 0, attended=0, unattended=1, release=at(0, 16, 50)),
        Operation(0, 1, 1, unattended=2),
        Operation(0, 2, 2, attended=3),
        Operation(0, 3, 3, attended=4),
        Operation(0, 4, 4, attended=5),
    ]
    edges = [Edge(0, 1), Edge(1, 2), Edge(2, 3), Edge(0, 4, ATTENDED_TO_START)]
    return shop, build_network(shop, needs, operations, edges), [[10, 480, 1440, 30, 300, 15]]


def test_a_job_over_night_ends_when_adding_it_up_by_hand_says():
    shop, network, minutes = overnight_job()
    result = simulate(shop, network, minutes, trace=True, target=0)
    assert result.trace[0].tolist() == [
        [at(0, 16, 50), at(0, 17), at(1, 1)],  # attended to closing, then eight hours alone
        [at(1, 1), at(1, 1), at(2, 1)],  # outgassing asks for nobody and knows no closing
        [at(2, 9), at(2, 9, 30), at(2, 9, 30)],
        [at(2, 13), at(3, 14), at(3, 14)],  # both are there from 13 to 17: four hours, and one the next day
        [at(1, 9), at(1, 9, 15), at(1, 9, 15)],  # from the attended end, Monday 17:00: the next opening
    ]
    # release to 16:50; 10 + 30 + 300 attended; 480 alone; closed 01:00 to 09:00, 09:30 to 13:00, 17:00 to 13:00
    by_cause = dict(zip(CAUSES, result.chain.sum(axis=0), strict=True))
    assert by_cause == {
        "attended": 340,
        "unattended": 480,
        "closed": 480 + 210 + 1200,
        "waiting for machine": 0,
        "waiting for person": 0,
        "hold": 1440,
        "release": at(0, 16, 50),
        "cooling": 0,
        "visit": 0,
    }


def test_waiting_is_laid_to_the_unit_that_was_waited_for():
    shop = SimShop((Unit("cutter", 0), Unit("ada", 0)), (ALWAYS,))
    needs = [
        Need("cut", machines=1, people=2, people_count=1),
        Need("weed", people=2, people_count=1),
    ]
    operations = [
        Operation(0, 0, 0, 0, 1),
        Operation(0, 1, 1, 2),
        Operation(1, 0, 0, 0, 1),
        Operation(1, 1, 1, 2),
    ]
    network = build_network(shop, needs, operations, [Edge(0, 1), Edge(2, 3, lag=3)])
    result = simulate(shop, network, [[5, 20, 40]], trace=True, target=1)
    # Job 0: cut 0 to 25, weed 25 to 65. The cutter is free at 25, but Ada weeds (a later stage first) until 65.
    assert result.trace[0].tolist() == [[0, 5, 25], [25, 65, 65], [65, 70, 90], [93, 133, 133]]
    assert result.chain.tolist() == [[5, 20, 0, 0, 65, 0, 0, 0, 0], [40, 0, 0, 0, 0, 3, 0, 0, 0]]
    assert result.waits.tolist() == [0, 65]


def test_a_machine_with_the_roll_on_it_is_preferred_and_a_change_costs_minutes():
    shop = SimShop((Unit("left", 0, 1), Unit("right", 0, 2)), (ALWAYS,), roll_change_minutes=8.0)
    operations = [Operation(j, 0, 0, attended=0, roll=roll) for j, roll in enumerate([2, 3, 2, -1])]
    result = simulate(
        shop, build_network(shop, [Need("print", machines=3)], operations), [[10.0]], trace=True
    )
    # Roll 2 goes to the right; roll 3 is loaded on the left (8 min); roll 2 again on the right; then any.
    assert result.finish.tolist() == [[10, 18, 20, 28]]


def test_running_work_keeps_its_units_from_the_first_minute_though_the_shop_is_closed():
    shop = SimShop((Unit("cutter", 0), Unit("ada", 1), Unit("ben", 1)), (ALWAYS, daily(9, 17, range(9))))
    cut = Need("cut", machines=1, people=mask([1, 2]), people_count=1)
    weed = Need("weed", people=mask([1, 2]), people_count=1)
    operations = [
        Operation(0, 0, 1, attended=0),
        Operation(1, 0, 0, attended=1, running=Running(0, (2,))),
        Operation(2, 0, 0, attended=0),
    ]
    network = build_network(shop, [cut, weed], operations)
    result = simulate(shop, network, [[60.0, 90.0]], trace=True)
    assert result.trace[0, 1].tolist() == [0, at(0, 10, 30), at(0, 10, 30)]  # by Ben, who works on at nine
    assert result.trace[0, 0].tolist() == [at(0, 9), at(0, 10), at(0, 10)]  # Ada is free
    assert result.trace[0, 2, 0] == at(0, 10, 30)  # the cutter is not


def test_calendars_that_end_too_soon_are_named():
    shop = SimShop((Unit("ada", 0),), (daily(9, 17, range(2)),))
    network = build_network(
        shop, [Need("weed", people=1, people_count=1)], [Operation(0, 0, 0, 0, name="weed")]
    )
    assert simulate(shop, network, [[960.0]]).finish == [[at(1, 17)]]
    for minutes in (961.0, 5000.0):
        with pytest.raises(HorizonTooShort, match=r"Run 1 comes to 'weed'.*ends 2 days after"):
            simulate(shop, network, [[1.0], [minutes]])


def test_unfit_minutes_are_refused():
    shop, network, minutes = overnight_job()
    with pytest.raises(ValueError, match="Run 0 has nan minutes in column 5"):
        simulate(shop, network, [[*minutes[0][:5], np.nan]])
    with pytest.raises(ValueError, match="at least one run of 6 columns"):
        simulate(shop, network, [[1.0, 2.0]])
    with pytest.raises(ValueError, match="Releases of shape"):
        simulate(shop, network, minutes, release=[[0.0]])


def test_threads_share_the_runs_and_change_nothing():
    rng = np.random.default_rng(1)
    shop, network, minutes = random_case(rng, runs=101)
    one, two = (simulate(shop, network, minutes, trace=True, target=0, threads=n) for n in (1, 2))
    assert np.array_equal(one.finish, two.finish)
    assert np.array_equal(one.trace, two.trace)
    np.testing.assert_allclose(one.chain, two.chain, atol=1e-9)


def test_a_job_with_nothing_left_is_finished_now():
    shop = SimShop((Unit("ada", 0),), (ALWAYS,))
    network = build_network(shop, [Need("weed", people=1, people_count=1)], [Operation(1, 0, 0, 0)], jobs=3)
    assert simulate(shop, network, [[7.0]]).finish.tolist() == [[0, 7, 0]]
