"""The customer's times, hot machines, pins and work that comes in, in cases that can be added up by hand."""

import pytest
from random_shop import OFFICE, at

from analytics.engine.hours import ALWAYS
from analytics.engine.network import (
    ABSENT,
    Edge,
    Need,
    NetworkError,
    Operation,
    Running,
    SimShop,
    Unit,
    build_network,
    rank_by_job,
    with_slots,
)
from analytics.engine.simulate import CAUSES, simulate

ADA = SimShop((Unit("ada", 0),), (OFFICE,))
FIT = Need("fit", people=1, people_count=1)


def visit(minutes, windows, shop=ADA):
    """When a fitting of so many minutes begins and ends, and its wait by cause."""
    network = build_network(shop, [FIT], [Operation(0, 0, 0, 0, windows=windows)])
    result = simulate(shop, network, [[minutes]], trace=True, target=0)
    by_cause = {c: m for c, m in zip(CAUSES, result.chain[0], strict=True) if m}
    return result.trace[0, 0, [0, 2]].tolist(), by_cause, result.missed.tolist()


def test_a_fitting_begins_when_the_customer_lets_it():
    span, causes, missed = visit(120, ((at(0, 14), at(0, 17)),))
    assert span == [at(0, 14), at(0, 16)]
    assert causes == {"attended": 120, "closed": at(0, 9), "visit": 5 * 60}  # from nine, when Ada is there
    assert missed == [0]


def test_what_ends_after_the_customer_s_time_waits_for_one_that_it_fits_in():
    windows = ((at(0, 10), at(0, 11)), (at(1, 10), at(1, 11)), (at(2, 10), at(2, 12)))
    assert visit(90, windows)[0] == [at(2, 10), at(2, 11, 30)]
    # Until Ada's closing hour is not enough either, though the customer's time goes on.
    assert visit(120, ((at(0, 16), at(0, 20)), (at(1, 9), at(1, 12))))[0] == [at(1, 9), at(1, 11)]


def test_what_fits_in_none_of_the_customer_s_times_begins_in_the_first_and_runs_on():
    windows = ((at(0, 10), at(0, 11)), (at(1, 10), at(1, 11)))
    assert visit(90, windows)[0] == [at(0, 10), at(0, 11, 30)]


def test_after_the_last_time_it_begins_as_if_another_were_given_and_that_is_said():
    assert visit(90, ((-300.0, -200.0),)) == (
        [at(0, 9), at(0, 10, 30)],
        {"attended": 90, "closed": 540},
        [1.0],
    )
    assert visit(90, ((at(0, 18), at(0, 20)),))[2] == [1.0]  # Ada is never there then


def test_a_fitting_that_waits_lets_others_go_before():
    operations = [Operation(0, 0, 0, 0, windows=((at(0, 13), at(0, 15)),)), Operation(1, 0, 0, 0)]
    network = build_network(ADA, [FIT], operations)
    assert simulate(ADA, network, [[60.0]]).finish.tolist() == [[at(0, 14), at(0, 10)]]


def test_the_wait_before_a_visit_is_laid_to_whoever_was_waited_for():
    operations = [
        Operation(0, 0, 0, 0),
        Operation(1, 0, 0, 1, windows=((at(0, 9), at(0, 11)), (at(0, 13), at(0, 15)))),
    ]
    shop = SimShop((Unit("ada", 0),), (ALWAYS,))
    network = build_network(shop, [FIT], operations)
    result = simulate(shop, network, [[600.0, 90.0]], target=1)
    # Ada is at the first job till ten; the visit would end at half past eleven, so it waits for one o'clock.
    causes = dict(zip(CAUSES, result.chain[0], strict=True))
    assert (causes["waiting for person"], causes["visit"], causes["attended"]) == (600, 180, 90)


def test_windows_that_close_before_they_open_are_refused():
    with pytest.raises(NetworkError, match="closes before it opens"):
        build_network(ADA, [FIT], [Operation(0, 0, 0, 0, windows=((10.0, 10.0),))])


def combined(cool=30.0, hot=0.0, more=()):
    """A machine that prints and cuts, others, and Ben, all of them always there."""
    units = (Unit("combined", 0, cool=cool, hot_until=hot), *more, Unit("ben", 0))
    return SimShop(units, (ALWAYS,)), 1 << (len(units) - 1)


def test_a_cut_waits_for_the_machine_that_printed_and_holds_it_and_the_person():
    shop, ben = combined()
    needs = [Need("print", 1, ben, 1), Need("cut", 1, ben, 1), Need("weed", None, ben, 1)]
    operations = [Operation(0, 0, 0, 0, 1, heats=True), Operation(0, 1, 1, 0, cold=True)]
    operations.append(Operation(1, 0, 2, 0, release=20.0))
    network = build_network(shop, needs, operations, [Edge(0, 1)])
    result = simulate(shop, network, [[5.0, 10.0]], trace=True, target=0)
    # Printed till 15, cut from 15 on: cold at 45, done at 50; Ben weeds after that.
    assert result.trace[0].tolist() == [[0, 5, 15], [15, 50, 50], [50, 55, 55]]
    causes = dict(zip(CAUSES, result.chain.sum(axis=0), strict=True))
    assert (causes["cooling"], causes["attended"], causes["closed"]) == (30, 10, 0)


def test_a_machine_that_is_hot_now_is_waited_for_unless_another_is_cold():
    shop, ben = combined(hot=25.0)
    cut = [Need("cut", 1, ben, 1)]
    network = build_network(shop, cut, [Operation(0, 0, 0, 0, cold=True)])
    assert simulate(shop, network, [[5.0]]).finish == 30
    shop, ben = combined(hot=25.0, more=(Unit("cutter", 0),))
    network = build_network(shop, [Need("cut", 3, ben, 1)], [Operation(0, 0, 0, 0, cold=True)])
    result = simulate(shop, network, [[5.0]], trace=True)
    assert (result.finish.item(), result.units.item()) == (5, 0b110)


def test_a_cut_under_way_needs_no_cooling():
    shop, _ = combined(hot=25.0)
    cut = Operation(0, 0, 0, 0, cold=True, running=Running(0, (1,)))
    network = build_network(shop, [Need("cut", 1, 2, 1)], [cut])
    assert simulate(shop, network, [[5.0]]).finish == 5


def test_what_is_pinned_does_not_begin_before_and_then_goes_ahead_of_all_that_waits():
    operations = [Operation(j, 0, 0, 0) for j in range(4)]
    operations[2] = Operation(2, 0, 0, 0, pinned=at(0, 11))
    operations[3] = Operation(3, 0, 0, 0, pinned=at(0, 10, 30))
    network = rank_by_job(build_network(ADA, [FIT], operations), [0, 1, 3, 2])
    # At ten the second begins, since nothing keeps Ada free for what is pinned later; then by the pins.
    assert simulate(ADA, network, [[60.0]]).finish.tolist() == [[at(0, 10), at(0, 11), at(0, 13), at(0, 12)]]


@pytest.mark.parametrize(("comes", "finish"), [(50.0, 160), (99.0, 209), (101.0, 110), (ABSENT, 110)])
def test_work_that_comes_in_takes_its_turn_and_never_delays_the_end(comes, finish):
    shop = SimShop((Unit("cutter", 0),), (ALWAYS,))
    own, sample = Operation(0, 0, 0, 0, release=100.0), Operation(1, 0, 0, 1)
    network = build_network(shop, [Need("cut", 1)], [own, sample], jobs=1)
    network = rank_by_job(with_slots(network, [0], [0], columns=1, arrival=2), [5.0, 1.0])
    result = simulate(shop, network, [[10.0, 100.0, comes]], trace=True, target=0)
    assert (result.finish.tolist(), result.trace.shape) == ([[finish]], (1, 1, 3))
    assert result.chain[0, CAUSES.index("waiting for machine")] == finish - 110
