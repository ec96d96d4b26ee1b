"""What is to be done before a machine runs, and why: how long it stood, and how its checks turned out."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.db.models import Max, Min, OuterRef, Q, QuerySet, Subquery

from jobs.models import Interval, IntervalKind
from jobs.selectors.jobs import plain_cell
from jobs.words.jobs import without_rules
from shop.models import CheckOutcome, CheckResult, Machine, ReadinessCheck, Shop
from shop.words import say_clock, say_day

FINE = (CheckOutcome.GOOD, CheckOutcome.PUT_RIGHT)


@dataclass(frozen=True)
class Runs:
    """When a machine last stopped, and since when it runs now; None for never and not."""

    stopped: datetime | None = None
    running: datetime | None = None


@dataclass(frozen=True)
class CheckState:
    """One check of a machine. due: whether it is to be done now; why: in words; bad: the last result was 'not good'."""

    check: ReadinessCheck
    last: CheckResult | None
    due: bool
    why: str
    bad: bool = False


@dataclass
class MachineState:
    """A machine with its checks in their order."""

    machine: Machine
    runs: Runs
    checks: list[CheckState] = field(default_factory=list)

    @property
    def due(self) -> list[CheckState]:
        """What is to be done now."""
        return [state for state in self.checks if state.due]

    @property
    def done(self) -> list[CheckState]:
        """What is not to be done now."""
        return [state for state in self.checks if not state.due]

    @property
    def cautions(self) -> list[str]:
        """What to take care of at its checks, each once, without LOCAL_RULES, which the page says once."""
        said = (without_rules(state.check.caution) for state in self.checks)
        return list(dict.fromkeys(caution for caution in said if caution))

    @property
    def bad(self) -> bool:
        """Whether a check of it was not good and is not put right."""
        return any(state.bad for state in self.checks)


def machine_states(shop: Shop, now: datetime, machines: Collection[int] | None = None) -> list[MachineState]:
    """The machines in use that have checks, bad ones first, then those with something due; machines: only these keys.

    The number of queries does not grow with the shop.
    """
    checks = ReadinessCheck.objects.of(shop).filter(active=True, machine__active=True)
    if machines is not None:
        checks = checks.filter(machine__in=machines)
    rows = list(checks.select_related("machine").order_by("machine__name", "machine", "position", "name"))
    runs = _runs(shop, {row.machine_id for row in rows})
    last, fine = _last_results(rows), _last_fine(rows)
    found: dict[int, MachineState] = {}
    for row in rows:
        ran = runs.get(row.machine_id, Runs())
        state = found.setdefault(row.machine_id, MachineState(row.machine, ran))
        state.checks.append(check_state(shop, row, ran, last.get(row.pk), fine.get(row.pk), now))
    return sorted(found.values(), key=lambda one: (not one.bad, not one.due))


def due(shop: Shop, now: datetime, machines: Collection[int] | None = None) -> list[MachineState]:
    """The machines that something is to be done at before they run."""
    return [state for state in machine_states(shop, now, machines) if state.due]


def ready_pack(shop: Shop, now: datetime) -> list[dict[str, object]]:
    """The same for a device: machines by key, whether one is bad, and each check that is due with why."""
    return [
        {
            "machine": one.machine.pk,
            "bad": one.bad,
            "due": [f"{state.check.name} ({state.why[:1].lower()}{state.why[1:]})" for state in one.due],
        }
        for one in due(shop, now)
    ]


def check_state(
    shop: Shop,
    check: ReadinessCheck,
    runs: Runs,
    last: CheckResult | None,
    fine: datetime | None,
    now: datetime,
) -> CheckState:
    """Whether a check is due. last: its last result that counts; fine: when it was last good or put right.

    A check by idle time is due once the machine stood so long since it last ran and since the check was last fine,
    and stays so while the run lasts that was begun without it.
    """
    if last is not None and last.outcome == CheckOutcome.BAD:
        return CheckState(check, last, True, f"Not good {_when(shop, last.at, now)}", bad=True)
    if not check.idle_hours:
        today = fine is not None and shop.local(fine).date() == shop.local(now).date()
        return CheckState(check, last, not today, "" if today else "Not yet today")
    since = max((at for at in (runs.stopped, fine) if at is not None), default=None)
    if since is None:
        return CheckState(check, last, True, "No record that it ran or was checked")
    stood = (runs.running or now) - since
    if stood < timedelta(hours=check.idle_hours):
        return CheckState(check, last, False, "")
    words = say_stood(stood)
    return CheckState(
        check, last, True, f"Begun after it stood for {words}" if runs.running else f"Stood for {words}"
    )


def say_stood(stood: timedelta) -> str:
    """How long something stood, as `say_stood_hours`; 'under an hour' for less than one."""
    hours = int(stood.total_seconds() // 3600)
    return say_stood_hours(hours) if hours else "under an hour"


def say_stood_hours(hours: int) -> str:
    """'1 hour', '30 hours'; from two days on, 'days': '3 days'."""
    if hours < 48:
        return "1 hour" if hours == 1 else f"{hours} hours"
    return f"{hours // 24} days"


def results_of(shop: Shop, machine: Machine | None = None) -> QuerySet[CheckResult]:
    """The results of a machine, or of all; the latest first, those taken back too."""
    rows = CheckResult.objects.of(shop).select_related("check_done__machine", "person", "recorded_by")
    return rows.filter(check_done__machine=machine) if machine else rows


CSV_HEADER = ("at", "machine", "check", "outcome", "minutes", "person", "note", "photo", "taken_back_at")


def results_csv_rows(results: QuerySet[CheckResult]) -> Iterator[list[str]]:
    """The results as rows of text for a spreadsheet; instants ISO 8601 UTC."""
    yield list(CSV_HEADER)
    for one in results.iterator(chunk_size=1000):
        cells = [
            one.at.isoformat(),
            one.check_done.machine.name,
            one.check_done.name,
            one.outcome,
            "" if one.minutes is None else f"{one.minutes:g}",
            one.person.name if one.person else "",
            one.note,
            "yes" if one.photo else "",
            one.taken_back_at.isoformat() if one.taken_back_at else "",
        ]
        yield [plain_cell(cell) for cell in cells]


def _runs(shop: Shop, machines: Collection[int]) -> dict[int, Runs]:
    kinds = (IntervalKind.MACHINE, IntervalKind.HANDS_ON)
    rows = Interval.objects.of(shop).filter(machine__in=list(machines), kind__in=kinds).order_by()
    said = rows.values_list("machine").annotate(
        stopped=Max("ends_at"), running=Min("starts_at", filter=Q(ends_at=None))
    )
    return {key: Runs(stopped, running) for key, stopped, running in said if key is not None}


def _last_results(checks: Sequence[ReadinessCheck]) -> Mapping[int, CheckResult]:
    latest = CheckResult.objects.filter(check_done=OuterRef("pk"), taken_back_at=None).order_by(
        "-at", "-received_at"
    )
    keys = ReadinessCheck.objects.filter(pk__in=[check.pk for check in checks]).annotate(
        last=Subquery(latest.values("pk")[:1])
    )
    wanted = [key for key in keys.values_list("last", flat=True) if key]
    rows = CheckResult.objects.filter(pk__in=wanted).select_related("person")
    return {row.check_done_id: row for row in rows}


def _last_fine(checks: Sequence[ReadinessCheck]) -> Mapping[int, datetime]:
    rows = CheckResult.objects.filter(
        check_done__in=[check.pk for check in checks], taken_back_at=None, outcome__in=FINE
    )
    return dict(rows.order_by().values_list("check_done").annotate(Max("at")))


def _when(shop: Shop, at: datetime, now: datetime) -> str:
    local, today = shop.local(at), shop.local(now).date()
    if local.date() == today:
        return f"at {say_clock(local)}"
    return f"on {say_day(local.date(), today)}"
