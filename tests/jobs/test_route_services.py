"""Job types, their routes and the kinds of stage."""

import pytest

from analytics.engine import trade
from jobs.models import Attendance, Category, EdgeKind, JobType, Needed, RouteEdge, StageKind
from jobs.services.routes import (
    OWN_HOLD,
    NewEdge,
    NewStage,
    job_type_copy,
    job_type_create,
    job_type_rename,
    job_type_retire,
    route_replace,
    stage_kind_create,
    stage_kind_update,
)
from jobs.services.stages import stage_hold
from shop.errors import BadInput
from shop.models import MachineKind, Process, Shop
from shop.services import shop_create

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs")


def stages(shop: Shop, *keys: str) -> list[NewStage]:
    return [NewStage(StageKind.objects.of(shop).get(key=key)) for key in keys]


def route_of(job_type: JobType) -> tuple[list[str], set[tuple[str, str, str, int]]]:
    edges = RouteEdge.objects.filter(before__job_type=job_type)
    return [str(s) for s in job_type.route.all()], {
        (str(e.before), str(e.after), e.kind, e.lag_min) for e in edges
    }


def test_a_route_is_replaced_whole(shop):
    job_type = job_type_create(shop=shop, name="Floor graphics")
    route_replace(
        job_type,
        stages(shop, "print", "cut", "template"),
        [NewEdge(0, 1, lag_min=30), NewEdge(0, 2, EdgeKind.ATTENDED)],
    )
    names, edges = route_of(job_type)
    assert names == ["Print", "Cut", "Template"]
    assert edges == {("Print", "Cut", "finish", 30), ("Print", "Template", "attended", 0)}
    route_replace(job_type, stages(shop, "cut"), [])
    assert route_of(job_type) == (["Cut"], set())


def test_a_circle_is_named_and_nothing_is_written(shop):
    job_type = JobType.objects.of(shop).get(name="Lettering")
    before = route_of(job_type)
    edges = [NewEdge(0, 1), NewEdge(1, 2), NewEdge(2, 1), NewEdge(2, 3)]
    with pytest.raises(BadInput) as refused:
        route_replace(job_type, stages(shop, "artwork", "cut", "weed", "pack"), edges)
    assert "Cut → Weed → Cut" in refused.value.message or "Weed → Cut → Weed" in refused.value.message
    assert "Artwork" not in refused.value.message
    assert "Untick one 'after'" in refused.value.message
    assert route_of(job_type) == before


def test_a_failure_half_way_keeps_the_old_route(shop, monkeypatch):
    job_type = JobType.objects.of(shop).get(name="Lettering")
    before = route_of(job_type)

    def fail(**_):
        raise RuntimeError("power cut")

    monkeypatch.setattr(RouteEdge.objects, "create", fail)
    with pytest.raises(RuntimeError):
        route_replace(job_type, stages(shop, "cut", "weed"), [NewEdge(0, 1)])
    assert route_of(job_type) == before


@pytest.mark.parametrize(
    ("keys", "edges", "says"),
    [
        (("cut",), [NewEdge(0, 0)], "Cut → Cut"),
        (("cut", "cut"), [], "Two stages are called Cut"),
        (("cut", "weed"), [NewEdge(0, 5)], "not in this route"),
        (("cut", "weed"), [NewEdge(0, 1), NewEdge(0, 1, EdgeKind.ATTENDED)], "twice"),
    ],
)
def test_a_route_that_makes_no_sense_is_refused(shop, keys, edges, says):
    job_type = JobType.objects.of(shop).get(name="Lettering")
    with pytest.raises(BadInput, match=says):
        route_replace(job_type, stages(shop, *keys), edges)


def test_a_copy_has_the_same_route_and_its_own_rows(shop):
    vehicle = JobType.objects.of(shop).get(name="Vehicle graphics")
    copy = job_type_copy(vehicle, "Boat graphics")
    assert route_of(copy) == route_of(vehicle)
    assert [s.needed for s in copy.route.all()] == [s.needed for s in vehicle.route.all()]
    route_replace(copy, [], [])
    assert route_of(vehicle)[0]


def test_a_name_is_taken_once_and_a_retired_type_can_come_back(shop):
    lettering = JobType.objects.of(shop).get(name="Lettering")
    for bad in ("lettering", "", " " * 9, "x" * 81):
        with pytest.raises(BadInput):
            job_type_create(shop=shop, name=bad)
    assert job_type_rename(lettering, "LETTERING").name == "LETTERING"
    assert not job_type_retire(lettering).active
    assert job_type_retire(lettering, active=True).active


def test_a_stage_of_the_shops_own_gets_a_key_of_its_own(shop):
    kind = stage_kind_create(
        shop=shop,
        name="Eyelets, both edges",
        attendance=Attendance.THROUGHOUT,
        machine_kind=MachineKind.BENCH,
        people=2,
    )
    assert (kind.key, kind.stock, kind.position) == ("eyelets-both-edges", False, 16)
    second = stage_kind_create(shop=shop, name="Eyelets both edges")
    assert second.key == "eyelets-both-edges-2"
    route_replace(job_type_create(shop=shop, name="Banner"), [NewStage(kind, needed=Needed.ALWAYS)], [])


@pytest.mark.parametrize(
    ("facts", "field"),
    [
        ({"name": ""}, "name"),
        ({"name": "weed"}, "name"),
        ({"people": 0}, "people"),
        ({"people": 5}, "people"),
        ({"hold_min": -1}, "hold_min"),
        ({"category": Category.HOLD}, "attendance"),
        ({"attendance": Attendance.NOBODY}, "attendance"),
        ({"attendance": Attendance.START}, "machine_kind"),
    ],
)
def test_a_stage_that_makes_no_sense_is_refused(shop, facts, field):
    with pytest.raises(BadInput) as refused:
        stage_kind_create(**{"shop": shop, "name": "Eyelets", **facts})
    assert refused.value.field == field
    assert StageKind.objects.of(shop).count() == 16


def test_changing_a_stage_keeps_its_key(shop):
    weed = StageKind.objects.of(shop).get(key="weed")
    changed = stage_kind_update(
        weed, name="Pick out", category=Category.WORK, attendance=Attendance.THROUGHOUT, people=2
    )
    assert (changed.key, changed.name, changed.people) == ("weed", "Pick out", 2)


def test_a_hold_of_the_shops_own_has_a_key_that_no_stage_of_work_can_have(shop):
    nobody = {"category": Category.HOLD, "attendance": Attendance.NOBODY}
    assert stage_kind_create(shop=shop, name="Curing", **nobody).key == OWN_HOLD + "curing"
    assert stage_kind_create(shop=shop, name="Hold -- curing").key == "hold-curing"
    assert trade.OWN_HOLD == OWN_HOLD  # what the key means to the forecasts


@pytest.mark.parametrize(
    ("key", "category", "attendance"),
    [("approval", Category.WORK, Attendance.THROUGHOUT), ("weed", Category.HOLD, Attendance.NOBODY)],
)
def test_a_hold_stays_a_hold_and_work_stays_work(shop, key, category, attendance):
    kind = StageKind.objects.of(shop).get(key=key)
    with pytest.raises(BadInput, match="Add another stage") as refused:
        stage_kind_update(kind, name=kind.name, category=category, attendance=attendance)
    assert refused.value.field == "category"
    kind.refresh_from_db()
    assert kind.category != category


@pytest.mark.parametrize(("own", "minutes"), [(None, 1440), (600, 1440), (2880, 2880)])
def test_prints_never_lie_for_less_than_their_process_asks(shop, own, minutes):
    """The film maker's 24 hours before contour cutting and lamination stand, whatever the shop sets for the stage."""
    StageKind.objects.of(shop).filter(key="outgas").update(hold_min=own)
    kind = StageKind.objects.of(shop).get(key="outgas")
    assert stage_hold(kind, Process.objects.of(shop).get(name="Solvent")) == minutes
