"""Job shops whose optima are published: no order of ranks beats them, and the optimal machine orders attain them.

Each job's row: machine and minutes, in order. The jobs' orders on each machine were found, and the optima proved, by
a constraint solver; the instances are those of the JSPLIB collection.
"""

from itertools import pairwise

import numpy as np
import pytest
from test_published_schedules import job_shop, makespan

from analytics.engine.network import Edge, rank_by_operation

# Fisher & Thompson 1963, 10 × 10: optimum 930.
FT10 = """
    0 29 1 78 2 9 3 36 4 49 5 11 6 62 7 56 8 44 9 21
    0 43 2 90 4 75 9 11 3 69 1 28 6 46 5 46 7 72 8 30
    1 91 0 85 3 39 2 74 8 90 5 10 7 12 6 89 9 45 4 33
    1 81 2 95 0 71 4 99 6 9 8 52 7 85 3 98 9 22 5 43
    2 14 0 6 1 22 5 61 3 26 4 69 8 21 7 49 9 72 6 53
    2 84 1 2 5 52 3 95 8 48 9 72 0 47 6 65 4 6 7 25
    1 46 0 37 3 61 2 13 6 32 5 21 9 32 8 89 7 30 4 55
    2 31 0 86 1 46 5 74 4 32 6 88 8 19 9 48 7 36 3 79
    0 76 1 69 3 76 5 51 2 85 9 11 6 40 7 89 4 26 8 74
    1 85 0 13 2 61 6 7 8 64 9 76 5 47 3 52 4 90 7 45
"""
FT10_ORDERS = """
    1 8 0 6 3 4 9 7 5 2
    3 5 6 9 8 4 2 7 0 1
    5 3 7 4 1 9 6 8 0 2
    5 6 8 4 2 0 1 3 9 7
    3 1 4 5 7 0 8 6 9 2
    5 4 8 6 7 9 0 2 1 3
    3 9 6 5 8 7 0 1 2 4
    3 5 4 8 6 2 0 7 1 9
    5 3 9 4 6 2 7 8 0 1
    5 1 6 8 9 4 7 3 2 0
"""

# Fisher & Thompson 1963, 20 × 5: optimum 1165.
FT20 = """
    0 29 1 9 2 49 3 62 4 44
    0 43 1 75 3 69 2 46 4 72
    1 91 0 39 2 90 4 12 3 45
    1 81 0 71 4 9 2 85 3 22
    2 14 1 22 0 26 3 21 4 72
    2 84 1 52 4 48 0 47 3 6
    1 46 0 61 2 32 3 32 4 30
    2 31 1 46 0 32 3 19 4 36
    0 76 3 76 2 85 1 40 4 26
    1 85 2 61 0 64 3 47 4 90
    1 78 3 36 0 11 4 56 2 21
    2 90 0 11 1 28 3 46 4 30
    0 85 2 74 1 10 3 89 4 33
    2 95 0 99 1 52 3 98 4 43
    0 6 1 61 4 69 2 49 3 53
    1 2 0 95 3 72 4 65 2 25
    0 37 2 13 1 21 3 89 4 55
    0 86 1 74 4 88 2 48 3 79
    1 69 2 51 0 11 3 89 4 74
    0 13 1 7 2 76 3 52 4 45
"""
FT20_ORDERS = """
    16 4 15 14 0 19 8 7 1 11 10 17 12 5 18 9 6 13 2 3
    15 4 16 10 7 0 14 19 5 18 11 1 9 8 17 6 12 2 3 13
    4 7 16 11 5 0 19 14 18 10 8 9 12 13 17 1 6 2 3 15
    4 16 10 15 0 7 8 11 14 1 19 18 9 12 17 6 13 2 3 5
    4 16 14 5 7 10 11 15 0 8 19 17 9 18 1 3 12 2 6 13
"""

# Lawrence 1984, 10 × 5: optimum 666.
LA01 = """
    1 21 0 53 4 95 3 55 2 34
    0 21 3 52 4 16 2 26 1 71
    3 39 4 98 1 42 2 31 0 12
    1 77 0 55 4 79 2 66 3 77
    0 83 3 34 2 64 1 19 4 37
    1 54 2 43 4 79 0 92 3 62
    3 69 4 77 1 87 2 87 0 93
    2 38 0 60 1 41 3 24 4 83
    3 17 1 49 4 25 0 44 2 98
    4 77 3 79 2 43 1 75 0 96
"""
LA01_ORDERS = """
    4 3 1 8 7 9 0 5 6 2
    3 0 8 5 9 6 4 2 7 1
    7 9 5 3 4 6 1 2 8 0
    6 8 9 1 2 4 3 7 0 5
    9 6 8 3 2 5 1 0 7 4
"""

# Lawrence 1984, 10 × 5: optimum 593.
LA05 = """
    1 72 0 87 4 95 2 66 3 60
    4 5 3 35 0 48 2 39 1 54
    1 46 3 20 2 21 0 97 4 55
    0 59 3 19 4 46 1 34 2 37
    4 23 2 73 3 25 1 24 0 28
    3 28 0 45 4 5 1 78 2 83
    0 53 3 71 1 37 4 29 2 12
    4 12 2 87 3 33 1 55 0 38
    2 49 3 83 1 40 0 48 4 7
    2 65 3 17 0 90 4 27 1 23
"""
LA05_ORDERS = """
    6 5 0 3 2 1 9 8 7 4
    0 2 5 8 6 7 3 4 1 9
    8 9 7 2 4 0 5 1 3 6
    5 1 8 2 9 6 3 7 4 0
    7 1 4 5 0 3 6 2 9 8
"""

SHOPS = {
    "ft10": (FT10, FT10_ORDERS, 930),
    "ft20": (FT20, FT20_ORDERS, 1165),
    "la01": (LA01, LA01_ORDERS, 666),
    "la05": (LA05, LA05_ORDERS, 593),
}


def numbers(text):
    return [[int(n) for n in line.split()] for line in text.strip().splitlines()]


def jobs_of(text):
    return [list(zip(row[::2], row[1::2], strict=True)) for row in numbers(text)]


@pytest.mark.parametrize("name", SHOPS)
def test_the_optimal_machine_orders_take_as_long_as_published(name):
    text, orders, optimum = SHOPS[name]
    jobs = jobs_of(text)
    place = {(j, m): len(job) * j + k for j, job in enumerate(jobs) for k, (m, _) in enumerate(job)}
    fixed = [
        Edge(place[before, machine], place[after, machine])
        for machine, order in enumerate(numbers(orders))
        for before, after in pairwise(order)
    ]
    assert makespan(*job_shop(jobs, fixed)) == optimum


@pytest.mark.parametrize("name", SHOPS)
def test_no_order_of_ranks_beats_the_optimum(name):
    text, _, optimum = SHOPS[name]
    shop, network, minutes = job_shop(jobs_of(text))
    rng = np.random.default_rng(1)
    spans = [
        makespan(shop, rank_by_operation(network, rng.random(network.size)), minutes) for _ in range(300)
    ]
    assert optimum <= min(spans) < 1.3 * optimum


@pytest.mark.parametrize("name", ["la01", "la05"])
def test_these_optima_are_the_load_of_the_busiest_machine(name):
    text, _, optimum = SHOPS[name]
    steps = np.array([step for job in jobs_of(text) for step in job])
    assert np.bincount(steps[:, 0], steps[:, 1]).max() == optimum
