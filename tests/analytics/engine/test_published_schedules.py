"""The simulation against schedules and joins whose answers are published."""

from itertools import pairwise, permutations

import numpy as np
import pytest

from analytics.engine.hours import ALWAYS
from analytics.engine.network import Edge, Need, Operation, SimShop, Unit, build_network, rank_by_operation
from analytics.engine.simulate import simulate


def machines(count):
    shop = SimShop(tuple(Unit(f"machine {k}", 0) for k in range(count)), (ALWAYS,))
    return shop, [Need(f"machine {k}", machines=1 << k) for k in range(count)]


def job_shop(jobs, more_edges=()):
    """jobs: for each its (machine, minutes), in order. The shop, its network, and one row of minutes."""
    shop, needs = machines(1 + max(machine for job in jobs for machine, _ in job))
    operations, edges, minutes = [], list(more_edges), []
    for j, job in enumerate(jobs):
        for k, (machine, duration) in enumerate(job):
            if k:
                edges.append(Edge(len(operations) - 1, len(operations)))
            operations.append(Operation(j, k, machine, attended=len(operations)))
            minutes.append(float(duration))
    return shop, build_network(shop, needs, operations, edges), [minutes]


def makespan(shop, network, minutes):
    return simulate(shop, network, minutes).finish.max()


# Stevenson, Operations Management, example 16.4 (six jobs, two work centres): optimum 51 hours, by
# D-A-E-C-F-B and, as it allows ties, by others.
SIX_JOBS = {"A": (5, 5), "B": (4, 3), "C": (8, 9), "D": (2, 7), "E": (6, 8), "F": (12, 15)}
# A textbook exercise with five jobs: P-O-N-M-L. Its printed answer of 26 forgets the last job's second
# operation; 28 by adding up.
FIVE_JOBS = {"L": (10, 2), "M": (5, 4), "N": (7, 5), "O": (3, 6), "P": (1, 7)}


@pytest.mark.parametrize(
    ("jobs", "optimum", "orders"), [(SIX_JOBS, 51, ["DAECFB", "DECFAB"]), (FIVE_JOBS, 28, ["PONML"])]
)
def test_johnson_s_order_is_the_shortest_through_two_machines(jobs, optimum, orders):
    shop, network, minutes = job_shop([[(0, a), (1, b)] for a, b in jobs.values()])

    def span(order):
        position = np.array([order.index(name) for name in jobs])
        return makespan(shop, rank_by_operation(network, position[network.job]), minutes)

    assert [span(order) for order in orders] == [optimum] * len(orders)
    assert min(span("".join(order)) for order in permutations(jobs)) == optimum


# ft06: Fisher & Thompson 1963, in Muth & Thompson, Industrial Scheduling. Optimum 55.
FT06 = """
    2 1  0 3  1 6  3 7  5 3  4 6
    1 8  2 5  4 10 5 10 0 10 3 4
    2 5  3 4  5 8  0 9  1 1  4 7
    1 5  0 5  2 5  3 3  4 8  5 9
    2 9  1 3  4 5  5 4  0 3  3 1
    1 3  3 3  5 9  0 10 4 4  2 1
"""
# The jobs' order on each machine in an optimal schedule, found and proved optimal by a constraint solver.
FT06_ORDERS = ["032514", "135042", "201435", "253014", "143520", "251403"]


def ft06_jobs():
    rows = [[int(n) for n in line.split()] for line in FT06.strip().splitlines()]
    return [list(zip(row[::2], row[1::2], strict=True)) for row in rows]


def test_ft06_takes_55_with_the_machines_orders_fixed():
    jobs = ft06_jobs()
    place = {(j, machine): 6 * j + k for j, job in enumerate(jobs) for k, (machine, _) in enumerate(job)}
    fixed = [
        Edge(place[int(a), machine], place[int(b), machine])
        for machine, order in enumerate(FT06_ORDERS)
        for a, b in pairwise(order)
    ]
    assert makespan(*job_shop(jobs, fixed)) == 55


def test_no_order_of_ranks_beats_the_optimum_of_ft06():
    shop, network, minutes = job_shop(ft06_jobs())
    rng = np.random.default_rng(6)
    spans = [
        makespan(shop, rank_by_operation(network, rng.random(network.size)), minutes) for _ in range(300)
    ]
    assert 55 <= min(spans) < 65


@pytest.mark.parametrize(
    ("branches", "excess"), [(2, 0.5642), (3, 0.8463), (4, 1.0294), (5, 1.1630), (10, 1.5388)]
)
def test_a_join_is_later_on_average_than_any_of_its_branches(branches, excess):
    # Mean of the largest of n standard normals: Clark 1961 (1/√π for two), others by integration.
    mean, spread = merged([(20, 1)] * branches)
    assert mean == pytest.approx(20 + excess, abs=4 * spread / np.sqrt(RUNS))


def test_a_join_of_unequal_branches_has_clark_s_moments():
    mean, spread = merged([(30, 2), (29, 3)])  # N(10, 2²) and N(9, 3²), 20 later, so that none is negative
    assert mean == pytest.approx(30.993, abs=4 * spread / np.sqrt(RUNS))
    assert spread**2 == pytest.approx(3.974, abs=4 * 3.974 * np.sqrt(2 / RUNS))


RUNS = 40_000


def merged(branches):
    """Mean and standard deviation of when the last of parallel normal branches lets the join start."""
    shop, needs = machines(len(branches) + 1)
    operations = [Operation(0, 0, k, attended=k) for k in range(len(branches))]
    operations.append(Operation(0, 1, len(branches)))
    edges = [Edge(k, len(branches)) for k in range(len(branches))]
    normals = np.random.default_rng(9).standard_normal((RUNS, len(branches)))
    minutes = np.array([m for m, _ in branches]) + normals * np.array([s for _, s in branches])
    finish = simulate(shop, build_network(shop, needs, operations, edges), minutes).finish
    return finish.mean(), finish.std()
