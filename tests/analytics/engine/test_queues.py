"""The simulation against queueing theory. A shop whose jobs arrive at random and have one stage is a queue.

Means are held to 1 %, and to four of their standard errors over independent replications.
"""

import numpy as np
import pytest

from analytics.engine.hours import ALWAYS
from analytics.engine.network import Edge, Need, Operation, SimShop, Unit, build_network, mask, rank_by_job
from analytics.engine.simulate import simulate

RUNS, CUSTOMERS, WARM_UP = 200, 12_000, 2_000


def waits(arrivals, services, servers, people=False):
    """Waiting before service of each customer, first come first served; shapes (runs, customers)."""
    shop = SimShop(tuple(Unit(f"server {k}", 0) for k in range(servers)), (ALWAYS,))
    able = mask(range(servers))
    need = Need("serve", people=able, people_count=1) if people else Need("serve", machines=able)
    customers = [Operation(k, 0, 0, attended=k) for k in range(services.shape[1])]
    network = build_network(shop, [need], customers)
    return simulate(shop, network, services, release=arrivals, trace=True).trace[:, :, 0] - arrivals


def random_queue(seed, arrival_rate, service_rate, constant=False, runs=RUNS):
    rng = np.random.default_rng(seed)
    arrivals = np.cumsum(rng.exponential(1 / arrival_rate, (runs, CUSTOMERS)), axis=1)
    services = np.full(arrivals.shape, 1.0) if constant else rng.standard_exponential(arrivals.shape)
    return arrivals, services / service_rate


def assert_mean(samples, expected, *controls, warm_up=WARM_UP):
    """The samples' mean is the expected one, to within 1 %.

    controls: times whose mean is known to be 0, shape as samples: what a run's waits owe to its own mean times is
    taken off by regression, which leaves the mean as it is and its error much smaller.
    """
    means = samples[:, warm_up:].mean(axis=1)
    known = np.array([control.mean(axis=1) for control in controls]).reshape(len(controls), len(means)).T
    slope = np.linalg.lstsq(known - known.mean(axis=0), means - means.mean())[0]
    means = means - known @ slope
    error = means.std(ddof=1) / np.sqrt(len(means))
    assert error < 0.008 * expected
    assert abs(means.mean() - expected) < min(4 * error, 0.01 * expected)


def surplus(arrivals, services, arrival_rate, service_rate):
    """The gaps and services less their means."""
    return np.diff(arrivals) - 1 / arrival_rate, services - 1 / service_rate


def assert_waits(seed, arrival_rate, service_rate, servers, expected):
    load = arrival_rate / servers / service_rate
    arrivals, services = random_queue(seed, arrival_rate, service_rate, runs=RUNS if load < 0.7 else 3 * RUNS)
    found = waits(arrivals, services, servers)
    assert_mean(found, expected, *surplus(arrivals, services, arrival_rate, service_rate))


@pytest.mark.parametrize(
    ("arrival_rate", "service_rate", "expected"),
    [
        (15, 17.5, 0.3429),  # L 6, W 0.4, Wq 0.3429: textbook exercise, and L = ρ/(1 − ρ)
        (49, 55, 7.2758 / 49),  # Lq 7.2758: textbook exercise; Wq by Little's law
    ],
)
def test_one_machine_waits_as_in_m_m_1(arrival_rate, service_rate, expected):
    assert_waits(1, arrival_rate, service_rate, 1, expected)


def test_three_machines_or_three_people_wait_as_in_m_m_3():
    # λ 1.2, μ 0.5: Wq 2.16 (2.157 with more digits). HP-12C Solutions Handbook, p. 144.
    assert_waits(2, 1.2, 0.5, 3, 2.157)
    queue = random_queue(2, 1.2, 0.5, runs=5)
    assert np.array_equal(waits(*queue, servers=3, people=True), waits(*queue, servers=3))


def test_constant_service_halves_the_wait_as_in_m_d_1():
    # λ 6, μ 10: Lq 0.45 by Pollaczek and Khinchine's formula with no variance; Wq by Little's law.
    assert_mean(waits(*random_queue(3, 6, 10, constant=True), servers=1), 0.45 / 6)


@pytest.mark.parametrize(
    ("servers", "arrival_rate", "service_rate", "expected"),
    [
        (2, 20, 30, 0.0833 / 20),  # Render, Quantitative Analysis: L ¾, Lq .0833
        (5, 2.5, 1, 0.1304 / 2.5),  # Erlang's C(5, 2.5) = .1304; Wq = C / (cμ − λ)
    ],
)
def test_more_machines_wait_as_in_m_m_c(servers, arrival_rate, service_rate, expected):
    assert_waits(5, arrival_rate, service_rate, servers, expected)


def test_other_laws_of_service_wait_as_in_m_g_1():
    # Service of mean 10 and squared variation ¼ at load 0.8: 25, by Pollaczek and Khinchine's formula as by
    # Kingman's (Hossfeld & Tran-Gia 2021, 5.6.3).
    arrivals, _ = random_queue(6, 0.08, 1)
    services = np.random.default_rng(6).gamma(4, 2.5, arrivals.shape)
    assert_mean(waits(arrivals, services, servers=1), 25.0, *surplus(arrivals, services, 0.08, 0.1))


def test_two_queues_one_after_the_other_wait_as_two_alone():
    # What leaves an M/M/1 queue comes as it arrived: Burke 1956. Wq = ρ / (μ − λ) at each.
    arrivals, first = random_queue(7, 0.7, 1.0)
    second = np.random.default_rng(8).exponential(1 / 1.25, first.shape)
    shop = SimShop((Unit("printer", 0), Unit("cutter", 0)), (ALWAYS,))
    needs = [Need("print", machines=1), Need("cut", machines=2)]
    operations = [Operation(k // 2, k % 2, k % 2, attended=k) for k in range(2 * CUSTOMERS)]
    edges = [Edge(2 * k, 2 * k + 1) for k in range(CUSTOMERS)]
    minutes = np.stack([first, second], axis=2).reshape(RUNS, -1)
    release = np.repeat(arrivals, 2, axis=1)
    network = build_network(shop, needs, operations, edges)
    trace = simulate(shop, network, minutes, release=release, trace=True).trace
    begins, ends = trace[:, :, 0], trace[:, :, 2]
    controls = (*surplus(arrivals, first, 0.7, 1.0), second - 0.8)
    assert_mean(begins[:, ::2] - arrivals, 0.7 / 0.3, *controls)
    assert_mean(begins[:, 1::2] - ends[:, ::2], (0.7 / 1.25) / 0.55, *controls)


def test_who_goes_first_waits_less_as_cobham_says():
    # Two classes, λ .2 and .4, μ 1, none interrupted: W₀ / (1 − ρ₁) and W₀ / ((1 − ρ₁)(1 − ρ)), W₀ = .6. Cobham 1954.
    arrivals, services = random_queue(9, 0.6, 1.0)
    first = np.random.default_rng(10).random(CUSTOMERS) < 1 / 3
    shop = SimShop((Unit("server", 0),), (ALWAYS,))
    network = build_network(
        shop, [Need("serve", machines=1)], [Operation(k, 0, 0, attended=k) for k in range(CUSTOMERS)]
    )
    ranked = rank_by_job(network, np.arange(CUSTOMERS) + np.where(first, 0, CUSTOMERS))
    wait = simulate(shop, ranked, services, release=arrivals, trace=True).trace[:, :, 0] - arrivals
    for mine, expected in ((first, 0.75), (~first, 1.875)):
        assert_mean(wait[:, mine], expected, *surplus(arrivals, services, 0.6, 1.0), warm_up=WARM_UP // 3)


@pytest.mark.parametrize(("in_hand", "days"), [(480, 4), (240, 2)])
def test_jobs_in_hand_are_the_rate_times_the_days_each_takes(in_hand, days):
    # Little's law: 120 jobs a day that take four days each are 480 in hand.
    count = 120 * 3 * days
    operations = [Operation(k, 0, 0, unattended=0, release=12.0 * k) for k in range(count)]
    shop = SimShop((Unit("nobody", 0),), (ALWAYS,))
    result = simulate(shop, build_network(shop, [Need("lie")], operations), [[days * 1440.0]], trace=True)
    begins, ends = result.trace[0, :, 0], result.trace[0, :, 2]
    now = 2 * days * 1440.0
    assert np.sum((begins <= now) & (ends > now)) == in_hand


def test_every_customer_waits_as_lindley_s_recursion_says():
    # W(k + 1) = max(0, W(k) + S(k) − A(k)): Lindley 1952. Path by path, not on average.
    arrivals, services = random_queue(4, 0.9, 1.0, runs=20)
    expected = np.zeros_like(arrivals)
    for k in range(1, CUSTOMERS):
        gap = arrivals[:, k] - arrivals[:, k - 1]
        expected[:, k] = np.maximum(0, expected[:, k - 1] + services[:, k - 1] - gap)
    np.testing.assert_allclose(waits(arrivals, services, servers=1), expected, rtol=0, atol=1e-6)
