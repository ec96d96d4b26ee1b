"""One machine: sequences whose flow times and tardiness are published, put into the simulation as ranks."""

from itertools import permutations

import numpy as np
import pytest

from analytics.engine.hours import ALWAYS
from analytics.engine.network import Need, Operation, SimShop, Unit, build_network, rank_by_job
from analytics.engine.simulate import simulate

SHOP = SimShop((Unit("machine", 0),), (ALWAYS,))


def finishes(order, minutes):
    """When each job is done if the machine takes them in this order of indices."""
    operations = [Operation(j, 0, 0, attended=j) for j in range(len(minutes))]
    network = build_network(SHOP, [Need("machine", machines=1)], operations)
    return simulate(SHOP, rank_by_job(network, np.argsort(order)), [minutes]).finish[0]


# Heizer & Render, Operations Management, examples 15.2 and 15.3: six jobs with days of work and due days.
WORK = np.array([6.0, 12, 14, 2, 10, 4])
DUE = np.array([22.0, 14, 30, 18, 25, 34])
SHORTEST, EARLIEST = np.argsort(WORK, kind="stable"), np.argsort(DUE, kind="stable")


def lateness(order):
    return finishes(order, WORK) - DUE


def test_shortest_first_has_the_published_flow_and_tardiness():
    assert "".join("ABCDEF"[j] for j in SHORTEST) == "DFAEBC"
    done = finishes(SHORTEST, WORK)
    assert done.mean() == pytest.approx(20.67, abs=0.005)
    assert done.sum() / done.max() == pytest.approx(2.58, abs=0.005)  # jobs in hand on average
    assert np.maximum(lateness(SHORTEST), 0).mean() == pytest.approx(6.33, abs=0.005)


def test_earliest_date_first_has_the_published_tardiness():
    assert np.maximum(lateness(EARLIEST), 0).mean() == 5.5


def test_each_rule_is_best_at_what_it_is_for_among_all_orders():
    late = np.array([lateness(np.array(order)) for order in permutations(range(6))])
    tardy = np.maximum(late, 0)
    assert (late + DUE).mean(axis=1).min() == pytest.approx(finishes(SHORTEST, WORK).mean())
    assert late.max(axis=1).min() == lateness(EARLIEST).max() == 14
    assert (late > 0).sum(axis=1).min() == 2
    assert tardy.mean(axis=1).min() == pytest.approx(3.83, abs=0.005)  # which no such rule finds


# Ten jobs, minutes and due minutes, of which Moore and Hodgson's rule (1968) leaves two late, the eighth and seventh.
MINUTES = np.array([19.0, 23, 5, 31, 17, 8, 32, 41, 26, 18])
DATES = np.array([48.0, 75, 170, 215, 205, 240, 85, 67, 100, 95])


def moore_hodgson():
    kept, late = [], []
    for job in np.argsort(DATES, kind="stable").tolist():
        kept.append(job)
        if MINUTES[kept].sum() > DATES[job]:
            late.append(kept.pop(int(np.argmax(MINUTES[kept]))))
    return kept + late, late


def test_moore_and_hodgson_s_order_leaves_two_jobs_late_and_none_leaves_fewer():
    order, late = moore_hodgson()
    assert late == [7, 6]
    assert np.flatnonzero(finishes(order, MINUTES) > DATES).tolist() == [6, 7]
    by_date = np.argsort(DATES, kind="stable").tolist()
    for job in range(10):  # with one late job at the most, the others by date: some other is late too
        others = [j for j in by_date if j != job]
        assert (finishes([*others, job], MINUTES)[others] > DATES[others]).any()
