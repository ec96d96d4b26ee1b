"""manage.py rebuild: the events alone give the same rows again."""

import random
import uuid
from collections.abc import Callable
from datetime import datetime, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from analytics.services.learning import learn_stage, sweep_shop
from jobs.models import Cause, ClockEvent, Interval, Job, Lap, Stage, StageEdge, StageKind, TapKind
from jobs.services.clock import fold_shop
from shop.models import Machine, MachineKind, Person, Shop
from shop.services import shop_create, weekday_hours_create
from tests.analytics.derived import MONDAY, a_job, learned_rows

pytestmark = pytest.mark.django_db(transaction=True)

LOG = """job,job_type,stage,started_at,finished_at,hands_on_min,person,machine,pieces
A1,Banner,Print,2026-03-02T09:00Z,2026-03-02T10:00Z,20,Ann,Wide,4
A1,Banner,Hemming,2026-03-02T10:10Z,2026-03-02T10:40Z,,Ben,,4
A1,Banner,Hemming,2026-03-03T11:00Z,2026-03-03T11:15Z,,Ben,,3
B7,Banner,Hemming,2026-03-05T09:00Z,2026-03-05T09:12Z,,Ann,,
"""


def derived(shop: Shop) -> dict[str, list[dict[str, Any]]]:
    """All derived rows: the clock's and what was learned."""
    intervals = Interval.objects.of(shop).order_by(
        "stage", "kind", "starts_at", "ends_at", "person", "machine", "again"
    )
    names = ("stage", "kind", "person", "machine", "cause", "starts_at", "ends_at", "again")
    laps = Lap.objects.of(shop).order_by("stage", "starts_at", "ends_at", "element", "person")
    stages = (
        Stage.objects.of(shop)
        .order_by("pk")
        .values("pk", "state", "started_at", "finished_at", "fold_digest")
    )
    jobs = Job.objects.of(shop).order_by("pk").values("pk", "status", "started_at", "finished_at")
    return {
        "Interval": list(intervals.values(*names)),
        "Lap": list(laps.values("stage", "element", "person", "starts_at", "ends_at", "seconds")),
        "Stage": list(stages),
        "Job": list(jobs),
        **learned_rows(shop),
    }


class Floor:
    """Taps of two people at the stages of three jobs, as their devices would have sent them."""

    def __init__(self, shop: Shop, seed: int) -> None:
        self.shop, self.rng = shop, random.Random(seed)
        self.people = [Person.objects.get_or_create(shop=shop, name=name)[0] for name in ("Ann", "Ben")]
        self.machine = Machine.objects.create(
            shop=shop, name="Old", kind=MachineKind.PRINTER, unattended="always"
        )
        self.causes = list(Cause.objects.of(shop)[:3])
        kinds = [
            StageKind.objects.get(shop=shop, key=key)
            for key in ("template", "approval", "print", "weed", "install")
        ]
        self.stages = [
            Stage.objects.create(shop=shop, job=job, kind=kind, name=kind.name, position=n)
            for job in (a_job(shop), a_job(shop, "Wall graphics"), a_job(shop))
            for n, kind in enumerate(kinds)
        ]
        for template, approval in zip(self.stages[::5], self.stages[1::5], strict=True):
            StageEdge.objects.create(shop=shop, before=template, after=approval)
        self.at = MONDAY
        self.sent: list[ClockEvent] = []

    def tap(self) -> None:
        """One more tap: any that a person might make, sensible or not."""
        self.at += timedelta(minutes=self.rng.choice([1, 7, 20, 45]))
        kind = self.rng.choice(
            ["start"] * 3
            + ["finish"] * 2
            + ["next", "pause", "leave", "aside", "void", "lap", "lap", "again", "vouch", "replace"]
        )
        late = self.rng.choice([0, 0, 0, 90])
        if kind == "void":
            if self.sent:
                self._write(TapKind.VOID, corrects=self.rng.choice(self.sent).pk, late=late)
            return
        if kind == "replace":
            if self.sent:
                old = self.rng.choice(self.sent)
                self._write(TapKind.START, corrects=old.pk, person=self.rng.choice(self.people), late=late)
            return
        more: dict[str, Any] = {"to_stage": self.rng.choice(self.stages)} if kind == "next" else {}
        if kind == "pause":
            more["cause"] = self.rng.choice(self.causes)
        if kind in ("lap", "again") and self.sent:
            more["stage"] = self.sent[-1].stage
        if kind in ("start", "next") and self.rng.random() < 0.4:
            more["machine"] = self.machine
        self._write(TapKind(kind), person=self.rng.choice(self.people), late=late, **more)

    def wait(self, minutes: int) -> None:
        """A further approval that somebody asked for and got so many minutes later."""
        kind = StageKind.objects.get(shop=self.shop, key="approval")
        stage = Stage.objects.create(shop=self.shop, job=a_job(self.shop), kind=kind, name=kind.name)
        for tap in (TapKind.START, TapKind.FINISH):
            self._write(tap, person=self.people[0], late=0, stage=stage)
            self.at += timedelta(minutes=minutes)

    def _write(self, kind: TapKind, late: int, **facts: Any) -> None:
        at: datetime = self.at - timedelta(minutes=late)
        event_id = uuid.UUID(int=self.rng.getrandbits(128), version=4)
        self.sent.append(
            ClockEvent.objects.create(
                id=event_id,
                shop=self.shop,
                kind=kind,
                stage=facts.pop("stage", None) or self.rng.choice(self.stages),
                at=at,
                device_at=at,
                received_at=self.at,
                **facts,
            )
        )


@pytest.fixture
def make_shop(tmp_path: Path) -> Callable[[], Shop]:
    def made() -> Shop:
        shop = shop_create(slug="quay", name="Quay Signs")
        weekday_hours_create(shop)
        path = tmp_path / "log.csv"
        path.write_text(LOG, encoding="utf-8")
        call_command("import_timings", str(path), stdout=StringIO())
        return shop

    return made


def rebuild(*options: str) -> str:
    out = StringIO()
    call_command("rebuild", *options, stdout=out)
    return out.getvalue()


@pytest.mark.parametrize("seed", range(3))
def test_the_events_alone_give_the_same_rows(make_shop: Callable[[], Shop], seed: int) -> None:
    """Random taps, some late, some taken back, after an import; learned as they come, in whatever order."""
    shop = make_shop()
    floor = Floor(shop, seed)
    for n in range(60):
        floor.tap()
        if n % 6 == 5:
            fold_shop(shop, announce=False)
            finished = list(
                Stage.objects.of(shop).filter(finished_at__isnull=False).values_list("pk", flat=True)
            )
            for stage in floor.rng.sample(finished, min(3, len(finished))):
                learn_stage(stage)
    floor.wait(90)
    fold_shop(shop, announce=False)
    sweep_shop(shop)
    before = derived(shop)
    assert len(before["Sample"]) > 3
    assert before["Lap"]
    assert {row["again"] for row in before["Interval"]} == {True, False}
    waits = StageKind.objects.get(shop=shop, key="approval").pk
    learned = [row["unattended_min"] for row in before["Sample"] if row["kind_id"] == waits and row["used"]]
    assert learned == [90.0]
    assert "finished stages learned again" in rebuild()
    assert derived(shop) == before


def test_rows_that_were_damaged_are_put_right(make_shop: Callable[[], Shop]) -> None:
    shop = make_shop()
    before = derived(shop)
    Interval.objects.all().delete()
    Stage.objects.update(state="waiting", finished_at=None)
    rebuild("--shop", "quay")
    assert derived(shop) == before


def test_an_unknown_shop_is_refused(make_shop: Callable[[], Shop]) -> None:
    make_shop()
    with pytest.raises(CommandError, match="no shop 'dale'"):
        rebuild("--shop", "dale")
