"""Dates over simulated months, of shops that another program plays (SimPy): kept as often as they say.

The table over whole years of a dozen shops is `year_table`; this is as much of it as a suite has time for.
"""

import pytest

from tests.analytics.engine.year_planner import SURER, Planner
from tests.analytics.engine.year_shop import a_shop
from tests.analytics.engine.year_table import RULES, shares, tallied

DAYS = 80


@pytest.fixture(scope="module")
def rows():
    shops = [a_shop(seed, 0.7) for seed in (2, 5)]
    return [tallied(Planner(shop, 0.8, runs=250).year(DAYS), shop.calendar, DAYS) for shop in shops]


def test_dates_are_kept_about_as_often_as_they_say(rows):
    assert sum(row["ours"][0] for row in rows) > 90
    # Three standard errors of so many dates, which go together within a shop.
    assert abs(shares(rows, "ours")[0] - 0.8) < 0.12
    assert abs(shares(rows, SURER)[0] - 0.95) < 0.07


def test_a_rule_of_thumb_that_promises_as_far_ahead_keeps_fewer(rows):
    kept = {rule: shares(rows, rule)[0] for rule in RULES}
    ahead = {rule: shares(rows, rule)[2] for rule in RULES}
    for rule in RULES[2:]:
        assert kept["ours"] > kept[rule]
        assert ahead["ours"] < 1.3 * ahead[rule]
