"""Networks of stages, by their properties and by routes that a reader can follow."""

import itertools
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from jobs.routes import (
    ATTENDED,
    FINISH,
    Link,
    active_edges,
    circle,
    depths,
    descendants,
    ready_stages,
    topological_order,
)

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@dataclass(frozen=True)
class Node:
    pk: int
    left_out: bool = False
    state: str = "waiting"
    finished_at: datetime | None = None


@st.composite
def networks(draw):
    """Nodes of which some are left out, in an order of their own, and arrows without a circle."""
    n = draw(st.integers(1, 9))
    order = draw(st.permutations(range(n)))
    pairs = [(order[i], order[j]) for i in range(n) for j in range(i + 1, n)]
    chosen = draw(st.lists(st.sampled_from(pairs), unique=True)) if pairs else []
    links = [
        Link(a, b, draw(st.sampled_from([FINISH, ATTENDED])), draw(st.integers(0, 5))) for a, b in chosen
    ]
    out = draw(st.sets(st.integers(0, n - 1)))
    return [Node(key, key in out) for key in range(n)], links


@given(networks())
def test_leaving_stages_out_keeps_who_waits_for_whom(network):
    nodes, links = network
    kept = {node.pk for node in nodes if not node.left_out}
    active = active_edges(nodes, links)
    assert all({link.before_id, link.after_id} <= kept for link in active)
    for key in kept:
        assert descendants(key, active) == descendants(key, links) & kept


@given(networks())
def test_leaving_nothing_out_changes_no_arrow(network):
    nodes, links = network
    assert active_edges([Node(node.pk) for node in nodes], links) == sorted(links)


@given(networks())
def test_every_arrow_leads_forward_in_the_order(network):
    nodes, links = network
    keys = [node.pk for node in nodes]
    order = topological_order(keys, links)
    assert sorted(order) == sorted(keys)
    assert all(order.index(link.before_id) < order.index(link.after_id) for link in links)
    depth = depths(keys, links)
    assert all(depth[link.before_id] < depth[link.after_id] for link in links)
    assert circle(keys, links) == []


@given(networks(), st.data())
def test_an_arrow_back_makes_a_circle_and_the_circle_is_found(network, data):
    nodes, links = network
    keys = [node.pk for node in nodes]
    start = data.draw(st.sampled_from(keys))
    ahead = descendants(start, links)
    end = data.draw(st.sampled_from([start, *sorted(ahead)]))
    found = circle(keys, [*links, Link(end, start)])
    arrows = {(link.before_id, link.after_id) for link in links} | {(end, start)}
    assert found[0] == found[-1]
    assert (end, start) in set(itertools.pairwise(found))
    assert set(itertools.pairwise(found)) <= arrows


def test_stages_that_tie_keep_their_given_order():
    assert topological_order([3, 1, 2], []) == [3, 1, 2]
    assert topological_order([3, 1, 2], [Link(2, 3)]) == [1, 2, 3]


def test_without_its_hold_a_print_is_followed_by_the_cut():
    printing, outgas, cut, template = 1, 2, 3, 4
    nodes = [Node(printing), Node(outgas, left_out=True), Node(cut), Node(template)]
    links = [Link(printing, outgas), Link(outgas, cut), Link(printing, template, ATTENDED)]
    assert active_edges(nodes, links) == [Link(printing, cut), Link(printing, template, ATTENDED)]


def test_joined_arrows_keep_the_earlier_moment_and_add_their_lags():
    nodes = [Node(1), Node(2, left_out=True), Node(3)]
    links = [Link(1, 2, ATTENDED, 10), Link(2, 3, FINISH, 5), Link(1, 3, FINISH, 20)]
    # Fifteen minutes after it runs alone is never later than twenty after it is finished.
    assert active_edges(nodes, links) == [Link(1, 3, FINISH, 20)]
    assert active_edges(nodes, links[:2]) == [Link(1, 3, ATTENDED, 15)]


def test_what_may_begin_waits_for_what_is_kept_and_for_its_lag():
    hour_ago = NOON - timedelta(hours=1)
    nodes = [
        Node(1, state="finished", finished_at=hour_ago),
        Node(2, left_out=True),
        Node(3),
        Node(4),
        Node(5, state="running"),
        Node(6),
    ]
    links = [Link(1, 2), Link(2, 3), Link(1, 4, FINISH, 61), Link(5, 6, ATTENDED)]
    assert ready_stages(nodes, links, NOON) == [3]
    assert ready_stages(nodes, links, NOON + timedelta(minutes=1)) == [3, 4]
    assert ready_stages(nodes, links, NOON, alone={5}) == [3, 6]
