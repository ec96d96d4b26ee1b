"""The simulation against queueing theory. A shop whose jobs arrive at random and have one stage is a queue.

Tolerances come from the standard error over independent replications: four of them, which one run in 16,000
exceeds by chance, and each must be small enough for the check to mean something.
"""

import numpy as np
import pytest

from analytics.engine.hours import ALWAYS
from analytics.engine.network import Need, Operation, SimShop, Unit, build_network, mask
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


def random_queue(seed, arrival_rate, service_rate, constant=False):
    rng = np.random.default_rng(seed)
    arrivals = np.cumsum(rng.exponential(1 / arrival_rate, (RUNS, CUSTOMERS)), axis=1)
    services = np.full(arrivals.shape, 1.0) if constant else rng.standard_exponential(arrivals.shape)
    return arrivals, services / service_rate


def assert_mean(samples, expected):
    means = samples[:, WARM_UP:].mean(axis=1)
    error = means.std(ddof=1) / np.sqrt(len(means))
    assert error < 0.02 * expected
    assert abs(means.mean() - expected) < 4 * error


@pytest.mark.parametrize(
    ("arrival_rate", "service_rate", "expected"),
    [
        (15, 17.5, 0.3429),  # L 6, W 0.4, Wq 0.3429: textbook exercise, and L = ρ/(1 − ρ)
        (49, 55, 7.2758 / 49),  # Lq 7.2758: textbook exercise; Wq by Little's law
    ],
)
def test_one_machine_waits_as_in_m_m_1(arrival_rate, service_rate, expected):
    assert_mean(waits(*random_queue(1, arrival_rate, service_rate), servers=1), expected)


@pytest.mark.parametrize("people", [False, True])
def test_three_machines_or_three_people_wait_as_in_m_m_3(people):
    # λ 1.2, μ 0.5: Wq 2.16 (2.157 with more digits). HP-12C Solutions Handbook, p. 144.
    assert_mean(waits(*random_queue(2, 1.2, 0.5), servers=3, people=people), 2.157)


def test_constant_service_halves_the_wait_as_in_m_d_1():
    # λ 6, μ 10: Lq 0.45 by Pollaczek and Khinchine's formula with no variance; Wq by Little's law.
    assert_mean(waits(*random_queue(3, 6, 10, constant=True), servers=1), 0.45 / 6)


def test_every_customer_waits_as_lindley_s_recursion_says():
    # W(k + 1) = max(0, W(k) + S(k) − A(k)): Lindley 1952. Path by path, not on average.
    arrivals, services = random_queue(4, 0.9, 1.0)
    expected = np.zeros_like(arrivals)
    for k in range(1, CUSTOMERS):
        gap = arrivals[:, k] - arrivals[:, k - 1]
        expected[:, k] = np.maximum(0, expected[:, k - 1] + services[:, k - 1] - gap)
    np.testing.assert_allclose(waits(arrivals, services, servers=1), expected, rtol=0, atol=1e-6)
