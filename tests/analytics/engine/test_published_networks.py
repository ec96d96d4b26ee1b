"""The simulation against project networks whose times, slacks and chances are published."""

import numpy as np
import pytest
from scipy import stats

from analytics.engine.hours import ALWAYS
from analytics.engine.network import Edge, Need, Operation, SimShop, Unit, build_network
from analytics.engine.sampling import Columns, draw
from analytics.engine.simulate import simulate

# Fourteen activities: what comes before each, and its optimistic, likely and pessimistic days (a textbook exercise).
ACTIVITIES = {
    "A": ("", 5, 5, 7),
    "B": ("", 1, 2, 5),
    "C": ("A", 5, 5, 5),
    "D": ("A", 4, 8, 13),
    "E": ("BC", 1, 10, 17),
    "F": ("D", 1, 5, 7),
    "G": ("D", 2, 6, 9),
    "H": ("EF", 4, 4, 6),
    "I": ("GH", 2, 7, 10),
    "J": ("I", 2, 4, 7),
    "K": ("I", 6, 10, 13),
    "L": ("J", 2, 6, 6),
    "M": ("K", 2, 2, 3),
    "N": ("LM", 7, 7, 12),
}
NAMES = list(ACTIVITIES)
DAYS = {name: (a + 4 * m + b) / 6 for name, (_, a, m, b) in ACTIVITIES.items()}
SHOP = SimShop((Unit("nobody", 0),), (ALWAYS,))


def project(days):
    """The end of each activity if they last so long, by name; none of them needs anybody."""
    operations = [Operation(0, k, 0, unattended=k) for k in range(len(NAMES))]
    edges = [Edge(NAMES.index(before), k) for k, name in enumerate(NAMES) for before in ACTIVITIES[name][0]]
    network = build_network(SHOP, [Need("activity")], operations, edges)
    trace = simulate(SHOP, network, [[days[name] for name in NAMES]], trace=True).trace
    return dict(zip(NAMES, trace[0, :, 2].tolist(), strict=True))


def test_a_project_s_activities_end_when_published():
    ends = project(DAYS)
    assert ends["E"] == pytest.approx(20.00, abs=0.005)
    assert ends["N"] == max(ends.values()) == pytest.approx(50.833, abs=0.0005)


@pytest.mark.parametrize(("activity", "slack"), [("B", 8.00), ("D", 1.83), ("F", 1.83), ("A", 0), ("K", 0)])
def test_an_activity_may_last_longer_by_its_slack_and_no_more(activity, slack):
    end = project(DAYS)["N"]
    assert project({**DAYS, activity: DAYS[activity] + slack})["N"] == pytest.approx(end)
    assert project({**DAYS, activity: DAYS[activity] + slack + 0.01})["N"] > end


def chance(means, variances, by):
    """The chance that activities one after the other, each by a normal law, are done by then."""
    z = np.linspace(-4, 4, 161)
    quantiles = np.maximum(np.array(means)[:, None] + np.sqrt(variances)[:, None] * z, 0.0)
    kinds = np.arange(len(means))
    minutes = draw(Columns(quantiles, stats.norm.cdf(z), 0 * kinds, kinds), [1], 20_000, seed=1)
    operations = [Operation(0, k, 0, unattended=k) for k in kinds.tolist()]
    edges = [Edge(k - 1, k) for k in kinds.tolist()[1:]]
    network = build_network(SHOP, [Need("activity")], operations, edges)
    return np.mean(simulate(SHOP, network, minutes).finish <= by)


@pytest.mark.parametrize(("by", "published"), [(53, 0.741), (55, 0.893)])
def test_the_critical_path_is_done_by_a_day_as_often_as_published(by, published):
    path = [ACTIVITIES[name][1:] for name in "ACEHIKMN"]
    variances = [((b - a) / 6) ** 2 for a, _, b in path]
    assert sum(variances) == pytest.approx(11.194, abs=0.0005)
    assert chance([DAYS[name] for name in "ACEHIKMN"], variances, by) == pytest.approx(published, abs=0.01)


def test_a_path_of_24_weeks_with_variance_5_is_done_in_28_as_often_as_published():
    # Taylor, Introduction to Management Science: path 1-3-5-7, P(at most 28 weeks) = 0.9633.
    assert chance([8, 8, 8], [2, 2, 1], 28) == pytest.approx(0.9633, abs=0.005)
