"""What cannot be simulated is refused, by name."""

from dataclasses import replace

import numpy as np
import pytest

from analytics.engine.hours import ALWAYS, Calendar, NeverOpen
from analytics.engine.network import (
    CircularRoute,
    Edge,
    Need,
    NetworkError,
    NoUnit,
    Operation,
    Running,
    SimShop,
    Unit,
    UnitClash,
    build_network,
    mask,
    rank_by_job,
)

DAYS = Calendar.of([540, 1980], [1020, 2460])
NIGHTS = Calendar.of([1200], [1500])
SHOP = SimShop((Unit("cutter", 0), Unit("ada", 1), Unit("ben", 2)), (ALWAYS, DAYS, NIGHTS))
CUT = Need("cut", machines=mask([0]), people=mask([1]), people_count=1)


def test_a_circle_is_named_in_its_own_order():
    operations = [Operation(0, k, 0, name=name) for k, name in enumerate(["print", "cut", "weed", "mask"])]
    edges = [Edge(0, 1), Edge(1, 2), Edge(2, 3), Edge(3, 1)]
    with pytest.raises(CircularRoute, match="circle: cut → weed → mask → cut"):
        build_network(SHOP, [CUT], operations, edges)


@pytest.mark.parametrize(
    ("need", "message"),
    [
        (Need("fit", people=mask([1]), people_count=2), "'fit' needs 2 people, and 1 can"),
        (Need("laminate", machines=0), "No machine or bench can do 'laminate'"),
        (Need("lift", people=mask([1, 2]), people_count=2), "'lift' are never all there at once"),
    ],
)
def test_a_need_that_nobody_can_meet_is_named(need, message):
    with pytest.raises(NoUnit, match=message):
        build_network(SHOP, [need], [Operation(0, 0, 0)])


def test_too_many_units_and_unit_without_hours_are_refused():
    with pytest.raises(NetworkError, match="64 machines, benches and people: at most 63"):
        SimShop(tuple(Unit(f"u{k}", 0) for k in range(64)), (ALWAYS,))
    with pytest.raises(NeverOpen, match="ada has no working time"):
        SimShop((Unit("ada", 0),), (Calendar.of([], []),))
    with pytest.raises(NetworkError, match="ada keeps calendar 3 of 1"):
        SimShop((Unit("ada", 3),), (ALWAYS,))


def test_a_unit_held_twice_is_a_clash():
    running = [Operation(j, 0, 0, running=Running(0, (1,)), name="cut") for j in range(2)]
    with pytest.raises(UnitClash, match="ada is held by two running operations"):
        build_network(SHOP, [CUT], running)


def test_indices_that_do_not_exist_are_refused():
    with pytest.raises(NetworkError, match="need 1 of 1"):
        build_network(SHOP, [CUT], [Operation(0, 0, 1)])
    with pytest.raises(NetworkError, match="unit beyond the shop's 3"):
        build_network(SHOP, [Need("cut", machines=8)], [])
    with pytest.raises(NetworkError, match="from 0 to 5 of 1"):
        build_network(SHOP, [CUT], [Operation(0, 0, 0)], [Edge(0, 5)])
    with pytest.raises(NetworkError, match="lag of -1"):
        build_network(SHOP, [CUT], [Operation(0, 0, 0), Operation(0, 1, 0)], [Edge(0, 1, lag=-1)])


def test_ranks_put_running_first_then_the_job_key_then_later_stages():
    operations = [Operation(0, 0, 0), Operation(0, 1, 0), Operation(1, 0, 0), Operation(1, 1, 0)]
    operations.append(Operation(2, 0, 0, running=Running(0, (1,))))
    network = build_network(SHOP, [CUT], operations, [Edge(0, 1), Edge(2, 3)])
    assert np.argsort(rank_by_job(network, [5, 4, 9]).rank).tolist() == [4, 3, 2, 1, 0]
    assert np.argsort(network.rank).tolist() == [4, 1, 0, 3, 2]


def test_equal_needs_are_told_once_and_edges_into_running_work_are_dropped():
    needs = [CUT, replace(CUT, name="cut again"), Need("outgas")]
    operations = [Operation(0, 0, 0), Operation(0, 1, 2), Operation(0, 2, 1, running=Running(0, (1,)))]
    network = build_network(SHOP, needs, operations, [Edge(0, 1), Edge(1, 2)])
    assert (network.need.tolist(), len(network.needs)) == ([0, -1, 0], 1)
    assert network.predecessors.tolist() == [0, 1, 0]
    assert network.edge_to.tolist() == [1]
