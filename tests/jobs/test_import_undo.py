"""An import is taken back: the shop is as if it had never come, but for what people have done with it since."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client
from django.utils import timezone

from analytics.models import ModelState, Promise
from jobs.models import (
    ClockEvent,
    ColumnMapping,
    DraftState,
    ImportDraft,
    ImportedStage,
    Job,
    JobType,
    Stage,
    StageKind,
)
from jobs.services import taking_out
from jobs.services.taking_back import import_taken_back, taking_foreseen, takings_sweep
from shop.errors import ShopError
from shop.models import Machine, Membership, Person, Role, Shop, User
from shop.services import shop_create
from tests.analytics.derived import learned_rows
from tests.jobs.import_logs import brought_in, everything, log_of, press, taken_back, waiting_job

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs")


def lived_in(shop: Shop) -> None:
    """A shop with a history of its own: an import that stays, and a job that is clocked."""
    brought_in(shop, log_of(8, letter="K", day=3), "kept.csv")
    stage = waiting_job(shop)
    press(shop, stage)


def test_taken_back_the_shop_is_as_if_it_had_never_come_and_so_is_what_it_learned(shop: Shop) -> None:
    lived_in(shop)
    before = everything(shop)
    draft = brought_in(shop, log_of(12, stages=("Print", "Hand hemming", "Weed")))
    assert learned_rows(shop)["ModelState"] != before["ModelState"]
    taken_back(draft)
    assert draft.state == DraftState.TAKEN
    assert everything(shop) == before
    call_command("rebuild", verbosity=0)
    assert learned_rows(shop) == {name: before[name] for name in learned_rows(shop)}
    assert (draft.result["taken"]["jobs"], draft.result["taken"]["new_rows"]) == (12, 36)


def test_what_is_learned_is_that_of_a_shop_that_never_imported(shop: Shop) -> None:
    other = shop_create(slug="hill", name="Hill Signs")
    for each in (shop, other):
        brought_in(each, log_of(8, letter="K", day=3))
    taken_back(brought_in(shop, log_of(12)))

    def states(of: Shop) -> list[tuple[str, str, Any, int]]:
        rows = ModelState.objects.of(of).order_by("kind__key", "part")
        return list(rows.values_list("kind__key", "part", "state", "n"))

    assert states(shop) == states(other)
    assert len(states(shop)) >= 2


def test_words_that_nothing_uses_go_and_others_stay(shop: Shop) -> None:
    first = brought_in(shop, log_of(4))
    Machine.objects.of(shop).filter(name="Large printer").update(kind="printer", cool_down_min=5)
    second = brought_in(shop, log_of(3, letter="L", stages=("Hand hemming", "Fold over"), day=40))
    taken_back(first)
    assert ColumnMapping.objects.of(shop).exists()  # the second file is read by it
    assert set(Person.objects.of(shop).values_list("name", flat=True)) == {"Mira", "Jon"}
    taken_back(second)
    assert not Person.objects.of(shop).exists()
    assert not StageKind.objects.of(shop).filter(name__in=["Hand hemming", "Fold over"]).exists()
    assert not JobType.objects.of(shop).filter(name="Banner").exists()
    assert Machine.objects.of(shop).get().cool_down_min == 5  # somebody has said more of it
    assert not ColumnMapping.objects.of(shop).exists()  # it named a driver that is gone
    assert "Film colour" in str(second.result["taken"]["words"])


def test_what_was_there_before_keeps_what_it_had(shop: Shop) -> None:
    """A longer log adds sittings, a stage and other quantities to jobs of an earlier one."""
    brought_in(shop, log_of(3))
    before = everything(shop)
    more = log_of(3).replace("Large printer,1", "Large printer,9").replace(":20,", ":21,")
    more += log_of(3, stages=("Packing",), day=1).split("\n", 1)[1]
    later = brought_in(shop, more, "longer.csv")
    assert Stage.objects.of(shop).count() == 9
    seen = taking_foreseen(later)
    assert (seen.jobs, seen.added, seen.kept) == (0, 3, [])
    taken_back(later)
    assert everything(shop) == before


def a_promise(job: Job) -> None:
    at = datetime(2026, 7, 1, tzinfo=UTC)
    Promise.objects.create(
        shop=job.shop, job=job, made_at=at, confidence=0.8, promised_at=at, quantiles={}, quote={}, seed=1, runs=1,
        model_version="1", backlog_digest="0",
    )  # fmt: skip


def test_what_people_have_done_since_is_never_lost_and_said_job_by_job(shop: Shop) -> None:
    draft = brought_in(shop, log_of(8))
    jobs = {job.reference: job for job in Job.objects.of(shop)}
    press_again(shop, jobs["J0"])
    a_promise(jobs["J1"])
    Job.objects.filter(pk=jobs["J2"].pk).update(notes="By the back door.")
    jobs["J3"].items.create(shop=shop, width_mm=100, height_mm=50)
    kind = StageKind.objects.of(shop).get(key="weed")
    Stage.objects.create(shop=shop, job=jobs["J4"], kind=kind, name="Weed", position=9)
    first = jobs["J5"].stages.earliest("pk")
    Stage.objects.filter(pk=first.pk).update(drivers={**first.drivers, "planned_min": 30.0})
    brought_in(shop, log_of(7, stages=("Packing",), day=1), "later.csv")
    events = set(ClockEvent.objects.of(shop).exclude(imported=draft).values_list("pk", flat=True))
    seen = taking_foreseen(draft)
    why = {title: "; ".join(reasons) for _, title, reasons in seen.kept}
    for title, said in (
        ("J0", "clocked on it: 1 time"),
        ("J1", "a date was promised"),
        ("J2", "notes were filled in"),
        ("J3", "sizes"),
        ("J4", "stages were added"),
        ("J5", "depend on was changed"),
        ("J6", "a later import added to it (later.csv)"),
    ):
        assert said in why[title]
    assert (seen.jobs, list(why)) == (1, [f"J{n}" for n in range(7)])
    taken_back(draft)
    assert draft.state == DraftState.PARTLY
    assert set(Job.objects.of(shop).values_list("reference", flat=True)) == {f"J{n}" for n in range(7)}
    assert events <= set(ClockEvent.objects.of(shop).values_list("pk", flat=True))
    assert Promise.objects.of(shop).count() == 1
    assert (draft.result["taken"]["jobs"], draft.result["taken"]["kept_count"]) == (1, 7)
    taken_back(ImportDraft.objects.get(name="later.csv"))
    taken_back(draft)  # what stood in the way of J6 is gone
    assert not Job.objects.of(shop).filter(reference="J6").exists()
    assert draft.result["taken"]["jobs"] == 2


def press_again(shop: Shop, job: Job) -> None:
    """Somebody clocks on a job that was brought in."""
    press(shop, job.stages.earliest("pk"))


def test_killed_on_the_way_it_is_gone_on_with(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, settings: Any
) -> None:
    settings.EMBEDDED = False
    lived_in(shop)
    before = everything(shop)
    draft = brought_in(shop, log_of(6))
    ImportDraft.objects.filter(pk=draft.pk).update(state=DraftState.TAKING)
    monkeypatch.setattr(taking_out, "JOBS_AT_ONCE", 2)
    breaths: list[int] = []

    class Killed(BaseException):
        pass

    def die() -> None:
        breaths.append(Job.objects.of(shop).filter(imported=draft).count())
        if len(breaths) == 2:
            raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(taking_out, "breathe", die)
        with pytest.raises(Killed):
            import_taken_back(draft.pk)
    assert breaths == [4, 2]
    takings_sweep(timezone.now())
    assert Job.objects.of(shop).filter(imported=draft).count() == 2  # its worker may live still
    settings.EMBEDDED = True
    takings_sweep(timezone.now())
    draft.refresh_from_db()
    assert (draft.state, draft.result["taken"]["jobs"]) == (DraftState.TAKEN, 6)
    assert everything(shop) == before
    assert not ImportedStage.objects.filter(imported=draft).exists()


def test_only_what_is_marked_can_be_taken_back(shop: Shop) -> None:
    draft = brought_in(shop, log_of(2))
    ClockEvent.objects.of(shop).update(imported=None)
    with pytest.raises(ShopError, match="Nothing of this import is left"):
        taken_back(draft)


def test_its_page_says_what_goes_and_what_stays_to_planners_of_the_shop_alone(shop: Shop) -> None:
    draft = brought_in(shop, log_of(3))
    press_again(shop, Job.objects.of(shop).get(reference="J1"))
    other = shop_create(slug="hill", name="Hill Signs")
    for name, of, role, status in (
        ("maker", shop, Role.MAKER, 403),
        ("stranger", other, Role.OWNER, 404),
        ("planner", shop, Role.PLANNER, 200),
    ):
        user = User.objects.create_user(name)
        Membership.objects.create(user=user, shop=of, role=role)
        client = Client()
        client.force_login(user, "django.contrib.auth.backends.ModelBackend")
        assert client.get(f"/import/{draft.pk}/take-back/").status_code == status
        if status != 200:
            assert client.post(f"/import/{draft.pk}/take-back/").status_code == status
    assert "Take it back …" in client.get(f"/import/{draft.pk}/").content.decode()
    page = client.get(f"/import/{draft.pk}/take-back/").content.decode()
    assert "Take back the rest" in page
    assert "Somebody has clocked on it: 1 time" in page
    done = client.post(f"/import/{draft.pk}/take-back/", follow=True).content.decode()
    assert "<strong>Taken back:</strong> 4 rows, 2 jobs and 4 stages, by planner" in done
    assert "1 job stays" in done
    listed = client.get("/import/").content.decode()
    assert "6 rows, 3 new jobs; 4 rows taken back by planner" in listed
    assert "Taken back in part" in listed
    page = client.get(f"/import/{draft.pk}/take-back/").content.decode()
    assert "Nothing can go:" in page
    assert "Take it back</button>" not in page


def test_a_log_from_the_command_line_can_be_taken_back_too(shop: Shop, tmp_path: Path) -> None:
    brought_in(shop, log_of(2, letter="K"), "kept.csv")
    before = everything(shop)
    (tmp_path / "log.csv").write_text(log_of(3), encoding="utf-8")
    call_command("import_timings", str(tmp_path / "log.csv"), "--define-drivers", verbosity=0)
    draft = ImportDraft.objects.get(name="log.csv")
    assert (draft.name, draft.state) == ("log.csv", DraftState.DONE)
    taken_back(draft)
    assert everything(shop) == before
