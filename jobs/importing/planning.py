"""What a log would make in a shop, without making it: counts and names, by the rules that the writing goes by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from jobs.clock import Event, Facts, fold
from jobs.importing.problems import Problem
from jobs.importing.sittings import Log, Sitting
from jobs.importing.vocabulary import Words, words_of
from jobs.importing.writing import event_ids, jobs_by_reference, known_ids, other_types_in_shop
from jobs.models import RouteStage, Stage
from shop.models import Shop


@dataclass(frozen=True)
class Plan:
    """What bringing a log in would do. new_rows: of all rows, those that were not brought in before.

    made: of what kind, to the names that would be made, as `Imported.made` has them. problems: rows that the shop
    itself rules out. clashes: how often the log has a person or a machine at two of its stages at once.
    """

    rows: int
    new_rows: int
    jobs: int = 0
    stages: int = 0
    made: Mapping[str, Sequence[str]] = field(default_factory=dict)
    problems: Sequence[Problem] = ()
    clashes: int = 0


def plan_of(shop: Shop, log: Log) -> Plan:
    """What `log_write` would make of the log in this shop as it stands. Reads only."""
    ids = event_ids(shop.pk, log.sittings)
    fresh = len(set(ids) - known_ids(shop, ids))
    if not fresh:
        return Plan(len(ids), 0)
    words = words_of(shop, log.sittings)
    jobs = jobs_by_reference(shop, {s.job for s in log.sittings})
    types = {text: row.pk for text, row in words.job_types.rows.items()}
    return Plan(
        len(ids),
        fresh,
        len({s.job for s in log.sittings} - jobs.keys()),
        _new_stages(shop, log.sittings, words),
        {**_new_drivers(log), **words.missing, **_new_routes(shop, words)},
        other_types_in_shop(log.sittings, jobs, types.get),
        clashes_of(log.sittings, _capacities(words)),
    )


def clashes_of(sittings: Sequence[Sitting], capacity: Mapping[str, int] | None = None) -> int:
    """How often a person or a machine is at two stages of the log at once. capacity: of machines that take more."""
    stages: dict[tuple[str, str], int] = {}
    people: dict[str, int] = {}
    machines: dict[str, int] = {}
    ids = event_ids(0, sittings)
    events = [
        Event(
            event_id,
            "sitting",
            stages.setdefault((s.job, s.stage.casefold()), len(stages)),
            s.started_at,
            people.setdefault(s.person.casefold(), len(people)) if s.person else None,
            machines.setdefault(s.machine.casefold(), len(machines)) if s.machine else None,
            until=s.finished_at,
            hands_on_min=s.hands_on_min,
        )
        for s, event_id in zip(sittings, ids, strict=True)
    ]
    known = {machines[name]: most for name, most in (capacity or {}).items() if name in machines}
    return len(fold(events, Facts(capacity=known)).clashes)


def _new_stages(shop: Shop, sittings: Sequence[Sitting], words: Words) -> int:
    """How many stages the log has that its jobs do not have yet."""
    kinds = {text: str(kind.pk) for text, kind in words.kinds.rows.items()}
    wanted = {(s.job, kinds.get(s.stage) or f"new {s.stage.casefold()}") for s in sittings}
    there = Stage.objects.of(shop).exclude(job__reference="").values_list("job__reference", "kind_id")
    return len(wanted - {(job, str(kind)) for job, kind in there})


def _new_drivers(log: Log) -> dict[str, list[str]]:
    by_label = {
        "drivers": [key for key, is_category in log.new_drivers.items() if not is_category],
        "categories": [key for key, is_category in log.new_drivers.items() if is_category],
    }
    return {label: keys for label, keys in by_label.items() if keys}


def _new_routes(shop: Shop, words: Words) -> dict[str, list[str]]:
    """The job types that would get a route read off their jobs: those that have none."""
    routed = set(RouteStage.objects.of(shop).values_list("job_type_id", flat=True).distinct())
    bare = dict.fromkeys(row.name for row in words.job_types.rows.values() if row.pk not in routed)
    names = [*bare, *words.job_types.missing]
    return {"routes": names} if names else {}


def _capacities(words: Words) -> dict[str, int]:
    return {text.casefold(): machine.capacity for text, machine in words.machines.rows.items()}
