"""Making and changing jobs: the copy of the route, the numbers, and nothing half-written."""

from datetime import UTC, datetime

import pytest

from jobs.drivers import ItemSize
from jobs.models import (
    Customer,
    Item,
    Job,
    JobStatus,
    JobType,
    Stage,
    StageEdge,
    StageKind,
    StageState,
)
from jobs.routes import active_edges
from jobs.services import jobs as services
from jobs.services.jobs import (
    items_replace,
    job_cancel,
    job_create,
    job_reopen,
    job_update,
)
from jobs.services.stages import stage_add, stage_leave_out, stage_take_in
from shop.errors import BadInput, CrossShop, ShopError
from shop.models import Finish, Media, Process, Shop
from shop.services import shop_create

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs")
    Media.objects.create(shop=shop, name="White film", width_mm=1370)
    return shop


def make(shop: Shop, job_type: str = "Vehicle graphics", process: str = "Solvent", finish: str = "", **more):
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name=job_type),
        title=more.pop("title", "Van, two sides"),
        process=Process.objects.of(shop).get(name=process),
        finish=Finish.objects.of(shop).get(name=finish) if finish else None,
        **more,
    )


def kept(job: Job) -> list[str]:
    return [stage.kind.key for stage in job.stages.filter(left_out=False).select_related("kind")]


def edges_of(job: Job) -> set[tuple[str, str, str]]:
    edges = active_edges(job.stages.all(), StageEdge.objects.filter(before__job=job))
    names = dict(job.stages.values_list("pk", "name"))
    return {(names[e.before_id], names[e.after_id], e.kind) for e in edges}


def test_a_solvent_job_with_a_laminate_takes_the_hold_and_the_laminating_in(shop):
    job = make(shop, finish="Gloss laminate")
    assert kept(job) == [
        "artwork",
        "load",
        "print",
        "outgas",
        "laminate",
        "cut",
        "weed",
        "mask",
        "clean",
        "install",
        "template",
    ]
    assert job.stages.get(kind__key="outgas").hold_min == 1440
    assert set(job.stages.filter(left_out=True).values_list("kind__key", flat=True)) == {
        "approval", "media-delivery", "travel",
    }  # fmt: skip


def test_a_uv_job_left_bare_is_cut_straight_after_printing(shop):
    job = make(shop, process="UV", finish="Bare")
    assert "outgas" not in kept(job)
    assert ("Print", "Cut", "finish") in edges_of(job)
    assert ("Print", "Template", "attended") in edges_of(job)


def test_a_cut_only_job_is_not_printed(shop):
    job = make(shop, process="Cut only", finish="Bare")
    assert not {"load", "print", "outgas", "laminate"} & set(kept(job))
    assert ("Artwork", "Cut", "finish") in edges_of(job)


def test_stages_are_taken_in_when_asked_for(shop):
    assert "travel" in kept(make(shop, requested=["travel"]))
    with pytest.raises(BadInput, match="route of Lettering has no Travel") as refused:
        make(shop, "Lettering", "Cut only", requested=["travel"])
    assert refused.value.field == "requested"


def test_a_job_keeps_its_route_when_the_type_changes(shop):
    job = make(shop)
    before = kept(job)
    job.job_type.route.all().delete()
    assert kept(Job.objects.get(pk=job.pk)) == before


def test_numbers_count_up_in_each_shop_by_itself(shop):
    other = shop_create(slug="hill", name="Hill Signs")
    assert [make(shop).number, make(shop).number, make(other).number] == [1, 2, 1]
    assert make(shop, number=40).number == 40
    assert make(shop).number == 41
    with pytest.raises(BadInput, match="already is a job 40"):
        make(shop, number=40)


def test_a_customer_is_known_again_whatever_the_capitals(shop):
    a = make(shop, customer_name="Harbour Bakery")
    b = make(shop, customer_name=" harbour  bakery ")
    assert a.customer == b.customer
    assert make(shop, customer_name=" ").customer is None


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"title": "  "}, "title"),
        ({"title": "x" * 161}, "title"),
        ({"items": [ItemSize(100, 100), ItemSize(-1, 5)]}, "items.1.width_mm"),
        ({"items": [ItemSize(2000, 2000)]}, "items.0.width_mm"),
        ({"drivers": {"moons": 3}}, "drivers.moons"),
        ({"drivers": {"height_m": -1.0}}, "drivers.height_m"),
        ({"drivers": {"height_m": "tall"}}, "drivers.height_m"),
        ({"finish": "Gloss laminate", "process": "Cut only"}, "finish"),
        ({"number": 0}, "number"),
    ],
)
def test_bad_input_names_its_field_and_writes_nothing(shop, change, field):
    with pytest.raises(BadInput) as refused:
        make(shop, customer_name="Nobody yet", **change)
    assert refused.value.field == field
    assert not Job.objects.exists()
    assert not Stage.objects.exists()
    assert not Customer.objects.exists()


def test_a_failure_half_way_leaves_nothing(shop, monkeypatch):
    def fail(*_):
        raise RuntimeError("power cut")

    monkeypatch.setattr(services, "revision_raise", fail)
    with pytest.raises(RuntimeError):
        make(shop, customer_name="Nobody yet", items=[ItemSize(10, 10)])
    assert not any(model.objects.exists() for model in (Job, Item, Stage, StageEdge, Customer))


def test_another_shops_rows_are_refused(shop):
    other = shop_create(slug="hill", name="Hill Signs")
    with pytest.raises(CrossShop):
        job_create(shop=shop, job_type=JobType.objects.of(other).first(), title="Theirs")
    assert not Job.objects.exists()


def test_a_new_process_takes_the_hold_in_and_a_new_finish_the_laminating(shop):
    job = make(shop, process="UV", finish="Bare")
    solvent = Process.objects.of(shop).get(name="Solvent")
    gloss = Finish.objects.of(shop).get(name="Gloss laminate")
    job_update(job, title=job.title, process=solvent, finish=gloss)
    assert {"outgas", "laminate"} <= set(kept(job))
    assert job.stages.get(kind__key="outgas").hold_min == 1440
    job_update(job, title=job.title, process=Process.objects.of(shop).get(name="Cut only"))
    assert not {"load", "print", "outgas", "laminate"} & set(kept(job))


def test_a_new_process_leaves_alone_what_was_begun_or_left_out_by_hand(shop):
    job = make(shop, process="Solvent")
    stage_leave_out(job.stages.get(kind__key="mask"))
    stage_leave_out(job.stages.get(kind__key="outgas"))
    job.stages.filter(kind__key="print").update(state=StageState.RUNNING, started_at=datetime.now(UTC))
    job_update(job, title=job.title, process=Process.objects.of(shop).get(name="Solvent"))
    assert not {"mask", "outgas"} & set(kept(job))
    job_update(job, title=job.title, process=Process.objects.of(shop).get(name="Cut only"))
    assert "print" in kept(job)
    assert "load" not in kept(job)


def test_update_keeps_what_it_is_not_given(shop):
    job = make(shop, items=[ItemSize(100, 200, 3)], drivers={"height_m": 3.0}, requested=["travel"])
    job = job_update(job, title="Lorry", process=job.process)
    assert (job.title, job.drivers, job.items.count()) == ("Lorry", {"height_m": 3.0}, 1)
    assert "travel" in kept(job)
    job_update(job, title="Lorry", process=job.process, requested=["approval"])
    assert "travel" not in kept(job)
    assert "approval" in kept(job)


def test_items_are_replaced_all_or_none(shop):
    job = make(shop, items=[ItemSize(100, 200, 3, name="door")])
    with pytest.raises(BadInput):
        items_replace(job, [ItemSize(1, 1), ItemSize(1, 1, 0)])
    assert [str(item) for item in job.items.all()] == ["door 100 × 200 mm, 3"]
    items_replace(job, [ItemSize(50, 60), ItemSize(70, 80)])
    assert [item.width_mm for item in job.items.all()] == [50, 70]


def test_a_stage_added_after_another_comes_between_it_and_what_followed(shop):
    job = make(shop, "Lettering", "Cut only")
    cut = job.stages.get(kind__key="cut")
    trim = StageKind.objects.of(shop).get(key="trim")
    stage_add(job, trim, after=cut)
    assert kept(job) == ["artwork", "cut", "trim", "weed", "mask", "pack"]
    assert {("Cut", "Trim", "finish"), ("Trim", "Weed", "finish")} <= edges_of(job)
    assert ("Cut", "Weed", "finish") not in edges_of(job)


def test_a_stage_added_beside_another_shares_its_neighbours(shop):
    job = make(shop, "Lettering", "Cut only")
    template = StageKind.objects.of(shop).get(key="template")
    stage_add(job, template, beside=job.stages.get(kind__key="cut"))
    assert {("Artwork", "Template", "finish"), ("Template", "Weed", "finish")} <= edges_of(job)
    assert ("Cut", "Template", "finish") not in edges_of(job)


def test_a_stage_added_without_a_place_comes_last(shop):
    job = make(shop, "Lettering", "Cut only")
    stage_add(job, StageKind.objects.of(shop).get(key="install"))
    assert kept(job)[-1] == "install"
    assert ("Pack", "Install", "finish") in edges_of(job)


def test_template_may_still_begin_while_the_print_runs_when_a_stage_follows_the_print(shop):
    job = make(shop, process="UV")
    stage_add(job, StageKind.objects.of(shop).get(key="trim"), after=job.stages.get(kind__key="print"))
    assert {("Print", "Template", "attended"), ("Print", "Trim", "finish")} <= edges_of(job)


def test_leaving_out_and_taking_in_gives_the_same_route_again(shop):
    job = make(shop)
    before = edges_of(job)
    weed = job.stages.get(kind__key="weed")
    stage_leave_out(weed)
    assert ("Cut", "Mask", "finish") in edges_of(job)
    stage_take_in(weed)
    assert edges_of(job) == before


def test_a_clocked_stage_and_the_only_stage_cannot_be_left_out(shop):
    job = make(shop, "Lettering", "Cut only")
    *others, last = job.stages.filter(left_out=False)
    for stage in others:
        stage_leave_out(stage)
    with pytest.raises(ShopError, match="only stage"):
        stage_leave_out(last)
    job.stages.filter(pk=others[0].pk).update(left_out=False, state=StageState.PAUSED)
    with pytest.raises(ShopError, match="has been clocked"):
        stage_leave_out(others[0])


def test_leaving_out_the_last_open_stage_finishes_the_job_and_adding_one_opens_it(shop):
    job = make(shop, "Lettering", "Cut only")
    done_at = datetime(2026, 3, 2, 15, tzinfo=UTC)
    pack = job.stages.get(kind__key="pack")
    job.stages.exclude(pk=pack.pk).update(state=StageState.FINISHED, finished_at=done_at)
    stage_leave_out(pack)
    job.refresh_from_db()
    assert (job.status, job.finished_at) == (JobStatus.FINISHED, done_at)
    stage_take_in(pack)
    job.refresh_from_db()
    assert (job.status, job.finished_at) == (JobStatus.IN_HAND, None)


def test_a_cancelled_job_is_reopened_as_what_it_was(shop):
    enquiry, promised = make(shop), make(shop, status=JobStatus.PROMISED)
    Job.objects.filter(pk=promised.pk).update(due_at=datetime(2026, 5, 1, tzinfo=UTC))
    for job in (enquiry, promised):
        assert job_cancel(job).status == JobStatus.CANCELLED
        assert job_cancel(job).status == JobStatus.CANCELLED
        with pytest.raises(ShopError, match="Reopen it"):
            stage_add(job, StageKind.objects.of(shop).first())
    assert job_reopen(enquiry).status == JobStatus.ENQUIRY
    assert job_reopen(promised).status == JobStatus.PROMISED


def test_a_finished_or_running_job_cannot_be_cancelled(shop):
    job = make(shop)
    job.stages.filter(kind__key="print").update(state=StageState.RUNNING)
    with pytest.raises(ShopError, match="Print is running"):
        job_cancel(job)
    Job.objects.filter(pk=job.pk).update(status=JobStatus.FINISHED)
    with pytest.raises(ShopError, match="is finished"):
        job_cancel(job)


def test_writes_raise_the_shops_revision(shop):
    def revision() -> int:
        return Shop.objects.get(pk=shop.pk).revision

    before = revision()
    job = make(shop)
    stage_leave_out(job.stages.get(kind__key="weed"))
    job_cancel(job)
    assert revision() == before + 3
