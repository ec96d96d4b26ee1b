"""What is due before a machine runs, and the lists of checks."""

from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid4

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.models import Interval, JobType
from jobs.selectors.ready import Runs, check_state, due, machine_states, ready_pack, say_stood
from jobs.services.jobs import job_create
from jobs.services.readiness import (
    CheckFacts,
    Result,
    check_move,
    check_retire,
    check_save,
    checks_add_usual,
    result_record,
    result_take_back,
)
from jobs.stock import LOCAL_RULES
from jobs.stock_checks import CUTTER_CHECKS, LAMINATOR_CHECKS, PRINTER_CHECKS
from shop.errors import BadInput, ShopError
from shop.models import CheckResult, Machine, Process, ReadinessCheck, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London")


@pytest.fixture
def user(shop: Shop) -> User:
    return User.objects.create_user("maker")


def machine(shop: Shop, kind: str = "cutter", **more) -> Machine:
    return Machine.objects.create(shop=shop, name=kind.title(), kind=kind, **more)


def check(shop: Shop, idle_hours: int = 72, **more) -> ReadinessCheck:
    where = Machine.objects.of(shop).first() or machine(shop)
    return check_save(where, CheckFacts("Cut test", idle_hours, "Less force.", "Blades."), **more)


def ran(where: Machine, began: datetime, ended: datetime | None) -> None:
    job = job_create(shop=where.shop, job_type=JobType.objects.of(where.shop).first(), title="Door")
    Interval.objects.create(
        shop=where.shop,
        stage=job.stages.first(),
        kind="machine",
        machine=where,
        starts_at=began,
        ends_at=ended,
    )


def found(row: ReadinessCheck, outcome: str, at: datetime, user: User | None = None, **more) -> CheckResult:
    return result_record(row, Result(uuid4(), outcome, **more), user=user, at=at, received_at=at)


def state_of(row: ReadinessCheck, now: datetime = NOW):
    (state,) = [s for m in machine_states(row.shop, now) for s in m.checks if s.check == row]
    return state


def test_a_check_is_due_once_the_machine_stood_so_long(shop):
    row = check(shop, 72)
    ran(row.machine, NOW - 80 * HOUR, NOW - 71 * HOUR)
    assert not state_of(row).due
    state = state_of(row, NOW + HOUR)
    assert (state.due, state.why, state.bad) == (True, "Stood for 3 days", False)


def test_a_machine_of_which_nothing_is_known_is_to_be_checked(shop):
    assert state_of(check(shop, 72)).why == "No record that it ran or was checked"


def test_a_good_result_and_one_put_right_settle_it_until_it_has_stood_again(shop):
    row = check(shop, 72)
    ran(row.machine, NOW - 200 * HOUR, NOW - 199 * HOUR)
    assert state_of(row).why == "Stood for 8 days"
    found(row, "put_right", NOW)
    assert not state_of(row, NOW + 71 * HOUR).due
    assert state_of(row, NOW + 72 * HOUR).due


def test_it_stays_due_while_the_run_lasts_that_was_begun_without_it(shop):
    row = check(shop, 72)
    ran(row.machine, NOW - 200 * HOUR, NOW - 100 * HOUR)
    ran(row.machine, NOW - HOUR, None)
    assert state_of(row).why == "Begun after it stood for 4 days"
    Interval.objects.filter(ends_at=None).update(ends_at=NOW)
    assert not state_of(row, NOW + HOUR).due


def test_a_daily_check_is_due_anew_each_day_of_the_shops_own_calendar(shop):
    row = check(shop, 0)
    assert state_of(row).why == "Not yet today"
    found(row, "good", datetime(2026, 6, 10, 22, 30, tzinfo=UTC))  # 23:30 in London
    assert not state_of(row, datetime(2026, 6, 10, 22, 59, tzinfo=UTC)).due
    assert state_of(row, datetime(2026, 6, 10, 23, 1, tzinfo=UTC)).due


def test_one_that_was_not_good_is_due_until_it_is_checked_again(shop):
    row = check(shop, 72)
    ran(row.machine, NOW - 2 * HOUR, NOW - HOUR)
    found(row, "bad", NOW)
    state = state_of(row, NOW + HOUR)
    assert (state.due, state.bad, state.why) == (True, True, "Not good at 15:00")
    assert state_of(row, NOW + 24 * HOUR).why == "Not good on Wednesday 25 November"
    found(row, "good", NOW + 2 * HOUR)
    assert not state_of(row, NOW + 3 * HOUR).due


def test_a_result_that_was_taken_back_does_not_count(shop, user):
    row = check(shop, 0)
    first = found(row, "good", NOW, user)
    wrong = found(row, "bad", NOW + HOUR, user)
    assert state_of(row, NOW + HOUR).bad
    result_take_back(wrong, user=user, owner=False, now=NOW + HOUR)
    assert not state_of(row, NOW + HOUR).due
    result_take_back(first, user=user, owner=True, now=NOW + 9 * HOUR)
    assert state_of(row, NOW + HOUR).due


def test_ones_own_result_is_taken_back_for_a_quarter_of_an_hour_then_by_the_owner(shop, user):
    row, other = check(shop, 0), User.objects.create_user("other")
    result = found(row, "good", NOW, user)
    with pytest.raises(ShopError, match="the owner does it"):
        result_take_back(result, user=other, owner=False, now=NOW)
    with pytest.raises(ShopError, match="for 15 minutes"):
        result_take_back(result, user=user, owner=False, now=NOW + timedelta(minutes=16))
    result_take_back(result, user=other, owner=True, now=NOW + 100 * HOUR)
    result.refresh_from_db()
    assert result.taken_back_at == NOW + 100 * HOUR


def test_a_result_is_kept_once_however_often_it_is_sent(shop, user):
    row, key = check(shop, 0), uuid4()
    for seconds in (0, 5, 60):
        at = NOW + timedelta(seconds=seconds)
        kept = result_record(row, Result(key, "good"), user=user, at=at, received_at=at)
        assert (kept.pk, kept.at) == (key, NOW)
    assert CheckResult.objects.count() == 1
    with pytest.raises(BadInput, match="as something else"):
        result_record(row, Result(key, "bad"), user=user, at=NOW, received_at=NOW)


@pytest.mark.parametrize(
    ("outcome", "minutes", "field"),
    [("fine", None, "outcome"), ("good", -1.0, "minutes"), ("good", 1441.0, "minutes")],
)
def test_a_result_that_makes_no_sense_is_refused(shop, outcome, minutes, field):
    with pytest.raises(BadInput) as refused:
        found(check(shop), outcome, NOW, minutes=minutes)
    assert refused.value.field == field
    assert not CheckResult.objects.exists()


def test_what_is_due_comes_first_and_only_machines_in_use_are_asked(shop):
    cutter, printer, old = machine(shop), machine(shop, "printer"), machine(shop, "laminator", active=False)
    fine = check_save(cutter, CheckFacts("Cut test", 0))
    check_save(printer, CheckFacts("Nozzle check", 0))
    check_save(old, CheckFacts("Rollers", 0))
    found(fine, "good", NOW)
    assert [s.machine for s in machine_states(shop, NOW)] == [printer, cutter]
    assert [s.machine for s in due(shop, NOW)] == [printer]
    assert due(shop, NOW, [cutter.pk]) == []
    assert ready_pack(shop, NOW) == [
        {"machine": printer.pk, "bad": False, "due": ["Nozzle check (not yet today)"]}
    ]


def test_its_queries_do_not_grow_with_the_shop(shop, django_assert_max_num_queries):
    for n in range(6):
        row = check_save(
            Machine.objects.create(shop=shop, name=f"M{n}", kind="cutter"), CheckFacts("Test", 0)
        )
        for ago in range(4):
            found(row, "good", NOW - ago * HOUR)
    with django_assert_max_num_queries(5):
        assert len(machine_states(shop, NOW)) == 6


@given(
    idle=st.integers(1, 500),
    stopped=st.floats(0, 2000),
    fine=st.none() | st.floats(0, 2000),
    running=st.none() | st.floats(0, 2000),
)
def test_it_is_due_exactly_when_the_idle_time_before_this_run_or_now_is_long_enough(
    idle, stopped, fine, running
):
    """Hours ago. Idle: from the later of the last stop and the last good result, to the run's beginning or to now."""
    shop, row = Shop(time_zone="UTC"), ReadinessCheck(idle_hours=idle)
    runs = Runs(NOW - stopped * HOUR, None if running is None else NOW - running * HOUR)
    good = None if fine is None else NOW - fine * HOUR
    since = max(at for at in (runs.stopped, good) if at is not None)
    long_enough = (runs.running or NOW) - since >= idle * HOUR
    assert check_state(shop, row, runs, None, good, NOW).due is long_enough


@pytest.mark.parametrize(
    ("stood", "said"),
    [
        (0.5, "under an hour"),
        (1, "1 hour"),
        (47.9, "47 hours"),
        (48, "2 days"),
        (96, "4 days"),
        (71.9, "2 days"),
    ],
)
def test_how_long_it_stood_is_said_in_hours_then_days(stood, said):
    assert say_stood(stood * HOUR) == said


def test_the_usual_checks_are_by_what_the_machine_is_and_prints_with(shop):
    names = {
        kind: [row.name for row in checks_add_usual(machine(shop, kind))]
        for kind in ("printer", "cutter", "print_and_cut", "laminator", "bench")
    }
    printer = [one.name for one in PRINTER_CHECKS]
    assert names == {
        "printer": printer,
        "cutter": [one.name for one in CUTTER_CHECKS],
        "print_and_cut": printer + [one.name for one in CUTTER_CHECKS],
        "laminator": [one.name for one in LAMINATOR_CHECKS],
        "bench": [],
    }


def test_white_is_agitated_where_there_may_be_white(shop):
    latex = machine(shop, "printer")
    latex.processes.set(Process.objects.of(shop).filter(kind="latex"))
    assert "Agitate the white ink" not in [row.name for row in checks_add_usual(latex)]
    uv = Machine.objects.create(shop=shop, name="UV", kind="printer")
    uv.processes.set(Process.objects.of(shop).filter(kind="uv"))
    assert checks_add_usual(uv)[0].name == "Agitate the white ink"


def test_the_usual_checks_warn_of_what_hurts_there_and_put_local_codes_first(shop):
    """Common practice, no source."""
    uv, solvent = machine(shop, "print_and_cut"), Machine.objects.create(shop=shop, name="S", kind="printer")
    uv.processes.set(Process.objects.of(shop).filter(kind="uv"))
    solvent.processes.set(Process.objects.of(shop).filter(kind="solvent"))
    rows = [*checks_add_usual(uv), *checks_add_usual(solvent), *checks_add_usual(machine(shop, "laminator"))]
    assert len(rows) == 8
    assert all(row.caution.endswith(LOCAL_RULES) and row.if_bad for row in rows)
    said = {(row.machine.name, row.name): row.caution for row in rows}
    for name in ("Nozzle check", "Agitate the white ink"):
        assert "gloves and glasses" in said["Print_And_Cut", name]
        assert "curing lamp" in said["Print_And_Cut", name]
        assert "curing lamp" not in said["S", name]
        assert "hot" in said["S", name]
    assert "sharps box" in said["Print_And_Cut", "Cut test"]
    assert "Hot rollers" in said["Laminator", "Rollers clean and even"]


def test_pressed_twice_nothing_is_doubled_and_a_retired_one_stays_retired(shop):
    where = machine(shop, "printer")
    rows = checks_add_usual(where)
    check_retire(rows[0], active=False)
    assert checks_add_usual(where) == []
    assert [s.check.name for m in machine_states(shop, NOW) for s in m.checks] == [r.name for r in rows[1:]]
    check_retire(rows[0], active=True)
    assert len(machine_states(shop, NOW)[0].checks) == len(rows)


def test_checks_are_changed_and_put_in_order(shop):
    where = machine(shop)
    first, second = (check_save(where, CheckFacts(name)) for name in ("One", "Two"))
    check_move(second, -1)
    assert [row.name for row in where.checks.all()] == ["Two", "One"]
    check_save(where, CheckFacts("One and a half", 5, "", ""), first)
    first.refresh_from_db()
    assert (first.name, first.idle_hours) == ("One and a half", 5)
    for facts, field in ((CheckFacts("two"), "name"), (CheckFacts("Three", 9000), "idle_hours")):
        with pytest.raises(BadInput) as refused:
            check_save(where, facts)
        assert refused.value.field == field


def test_another_shops_machines_are_not_asked(shop):
    check(shop, 0)
    hill = shop_create(slug="hill", name="Hill")
    assert machine_states(hill, NOW) == []


def test_ids_are_the_clients_own(shop):
    key = UUID(int=7)
    row = check(shop, 0)
    assert result_record(row, Result(key, "good"), user=None, at=NOW, received_at=NOW).pk == key
