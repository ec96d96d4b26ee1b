"""The ways in which a job could be made: which there are, how they compare, and choosing one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest
from django.test import Client
from quay import enquiry, make_quay

from analytics.services.choices import changed, jobs_to_ask, options_of
from analytics.services.choices_ways import NoWay, Way, Ways, way_choose, ways_of
from analytics.services.promising import promise_compute
from analytics.words.choices import say_takes
from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus, Stage, StageState
from jobs.services.jobs import job_update
from shop.errors import ShopError
from shop.models import Finish, InkBuild, Machine, MachineKind, Media, Membership, Process, Role, User

pytestmark = pytest.mark.django_db

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)


@pytest.fixture
def shop():
    return make_quay()


def asked_of(shop, job):
    return options_of(shop, jobs_to_ask(shop).get(pk=job.pk), now=MONDAY)


def found(shop, job) -> Ways:
    return ways_of(asked_of(shop, job))


def way(ways: Ways, name: str) -> Way:
    return next(one for one in ways.ways if one.recipe.name == name)


def no_way(ways: Ways, name: str) -> NoWay:
    return next(one for one in ways.cannot if one.recipe.name.startswith(name))


def test_every_process_and_finish_is_there_once_and_the_gloss_layer_where_it_can_be_printed(shop):
    ways = found(shop, enquiry(shop))
    names = sorted(one.recipe.name for one in ways.ways)
    finishes = ("bare", "gloss laminate", "matt laminate")
    prints = ("Latex", "Solvent", "UV", "UV with a full gloss layer")
    assert names == sorted(f"{process}, {finish}" for process in prints for finish in finishes)
    assert "lays no ink" in no_way(ways, "Cut only").why


def test_solvent_is_later_than_uv_in_every_future_for_it_lies_a_day(shop):
    job = enquiry(shop, "UV", finish=Finish.objects.of(shop).get(name="Bare"))
    solvent = way(found(shop, job), "Solvent, bare")
    assert solvent.later == 1.0
    assert solvent.gain < -16 * 60  # between closing on one day and opening on the next but one lie 16 hours
    assert any("24 hours" in caution for caution in solvent.cautions)
    assert solvent.hands_on.half <= solvent.hands_on.most


def test_the_present_way_is_marked_and_has_the_date_of_the_promise(shop):
    job = enquiry(shop, "UV", finish=Finish.objects.of(shop).get(name="Matt laminate"))
    present = found(shop, job).present
    assert present is not None
    assert present.recipe.name == "UV, matt laminate"
    assert (present.sooner, present.later, present.gain) == (0, 0, 0)
    promised = promise_compute(shop, job, now=MONDAY).promised_at
    assert abs(present.promised_at - promised) <= timedelta(minutes=30)


def test_a_gloss_layer_takes_more_ink_and_minutes_but_no_more_film(shop):
    ways = found(shop, enquiry(shop, "UV", finish=Finish.objects.of(shop).get(name="Bare")))
    colour, gloss = way(ways, "UV, bare"), way(ways, "UV with a full gloss layer, bare")
    assert gloss.materials.ink_ml == pytest.approx(2 * colour.materials.ink_ml)  # two layers for one
    assert gloss.materials.film_m == colour.materials.film_m
    assert gloss.machine.half > colour.machine.half
    assert gloss.gain < 0


def test_a_cost_says_what_it_leaves_out_for_want_of_a_price(shop):
    Process.objects.of(shop).filter(name="UV").update(ink_price_per_litre=100, ink_ml_per_m2=10)
    Process.objects.of(shop).filter(name="Latex").update(ink_price_per_litre=0)
    Finish.objects.of(shop).filter(name="Matt laminate").update(price_per_m2=2)
    Finish.objects.of(shop).filter(name="Gloss laminate").update(price_per_m2=0)
    ways = found(shop, enquiry(shop))  # ten of 300 × 200 mm: 0.6 m², 6 ml
    costs = {
        name: (way(ways, name).materials.cost, way(ways, name).materials.unpriced)
        for name in ("UV, bare", "UV, matt laminate", "UV, gloss laminate", "Latex, matt laminate")
    }
    assert costs == {
        "UV, bare": (Decimal("0.60"), ("film", "work")),
        "UV, matt laminate": (Decimal("1.80"), ("film", "work")),
        "UV, gloss laminate": (Decimal("0.60"), ("film", "laminate", "work")),
        "Latex, matt laminate": (Decimal("1.20"), ("film", "ink", "work")),
    }
    assert "cost 1.20 EUR without film, ink, work." in say_takes(way(ways, "Latex, matt laminate"), shop)


def test_two_laminates_take_the_same_time_and_a_laminate_takes_longer_than_none(shop):
    ways = found(shop, enquiry(shop, "UV", finish=Finish.objects.of(shop).get(name="Bare")))
    matt, glossy = way(ways, "UV, matt laminate"), way(ways, "UV, gloss laminate")
    assert matt.futures == glossy.futures
    assert matt.gain < 0


def test_a_way_is_what_the_promise_says_of_the_job_once_it_is_made_so(shop):
    job = enquiry(shop, "UV", finish=Finish.objects.of(shop).get(name="Bare"))
    solvent = Process.objects.of(shop).get(name="Solvent")
    matt = Finish.objects.of(shop).get(name="Matt laminate")
    options = asked_of(shop, job)
    thought = options.finish(options.variant(changed(options.job, process=solvent, finish=matt)))
    way_choose(job, solvent, matt, gloss=False)
    again = asked_of(shop, job)
    assert np.array_equal(thought, again.finish(again.book))


def test_nothing_is_written_by_looking(shop, django_assert_max_num_queries):
    job = enquiry(shop)
    before = list(Stage.objects.order_by("pk").values())
    with django_assert_max_num_queries(220) as seen:
        found(shop, job)
    writes = ("INSERT", "UPDATE", "DELETE")
    assert [query["sql"] for query in seen.captured_queries if query["sql"].startswith(writes)] == []
    assert list(Stage.objects.order_by("pk").values()) == before


def test_choosing_changes_process_finish_and_ink_and_keeps_the_rest(shop):
    ready = MONDAY + timedelta(days=1)
    job = enquiry(
        shop,
        "Solvent",
        customer_name="A customer",
        ready_from=ready,
        items=[ItemSize(300, 200, 10, name="Left", cut_m=1.5, letter_mm=40)],
    )
    uv, bare = Process.objects.of(shop).get(name="UV"), Finish.objects.of(shop).get(name="Bare")
    way_choose(job, uv, bare, gloss=True)
    job = Job.objects.get(pk=job.pk)
    assert (job.process, job.finish, job.ready_from, str(job.customer)) == (uv, bare, ready, "A customer")
    item = job.items.get()
    assert (item.ink_build, item.name, item.cut_m, item.letter_mm) == (InkBuild.COLOUR_GLOSS, "Left", 1.5, 40)
    assert job.stages.get(kind__key="outgas").left_out


def test_a_way_that_the_shop_has_no_machine_for_is_told_with_the_remedy(shop):
    printer = Machine.objects.of(shop).get(kind=MachineKind.PRINTER)
    printer.processes.set([Process.objects.of(shop).get(name="UV")])
    why = no_way(found(shop, enquiry(shop, "UV")), "Solvent").why
    assert "needs a printer for this process" in why
    assert "Add one under Shop, Machines" in why


def test_a_graphic_wider_than_what_the_process_prints_on_is_told(shop):
    Machine.objects.of(shop).filter(kind=MachineKind.PRINTER).update(max_width_mm=1370)
    Media.objects.create(shop=shop, name="Film", width_mm=1370)
    narrow = Machine.objects.create(shop=shop, name="Narrow", kind=MachineKind.PRINTER, max_width_mm=500)
    narrow.processes.set([Process.objects.of(shop).get(name="Latex")])
    wide = Machine.objects.of(shop).get(name="printer")
    wide.processes.set(Process.objects.of(shop).filter(name__in=("UV", "Solvent")))
    job = enquiry(shop, "UV", items=[ItemSize(900, 800, 1)])
    assert "500" in no_way(found(shop, job), "Latex").why


def test_what_does_not_suit_the_work_is_shown_and_said(shop):
    """That UV ink cracks where it is stretched over a vehicle's curves is common practice, no source."""
    uv = way(found(shop, enquiry(shop, "Solvent", "Vehicle graphics")), "UV, bare")
    assert uv.unsuited == "UV does not suit vehicle graphics."
    assert any("vehicle wraps" in caution for caution in uv.cautions)
    wall = enquiry(shop, "Solvent", "Wall graphics")
    assert way(found(shop, wall), "UV, bare").unsuited == ""
    wall.job_type.unsuited.set([Process.objects.of(shop).get(name="UV")])
    assert way(found(shop, wall), "UV, bare").unsuited == "UV does not suit wall graphics."


def test_a_route_without_print_is_made_by_cutting_alone(shop):
    ways = found(
        shop, enquiry(shop, "Cut only", "Lettering", items=[ItemSize(300, 200, 1, ink_build=InkBuild.NONE)])
    )
    assert {one.recipe.process.name for one in ways.ways} == {"Cut only"}
    assert "has no print" in no_way(ways, "UV").why


@pytest.mark.parametrize("key", ["load", "print"])
def test_once_film_has_gone_in_the_way_stands(shop, key):
    job = enquiry(shop)
    job.stages.filter(kind__key=key).update(state=StageState.RUNNING, started_at=MONDAY)
    job = Job.objects.get(pk=job.pk)
    with pytest.raises(ShopError, match="Film has gone into"):
        way_choose(job, job.process, None, gloss=False)


def test_a_stage_left_out_by_hand_stays_out_of_every_way(shop):
    job = enquiry(shop, "UV", finish=Finish.objects.of(shop).get(name="Matt laminate"))
    job.stages.filter(kind__key="laminate").update(left_out=True)
    job = jobs_to_ask(shop).get(pk=job.pk)
    glossy = changed(job, process=job.process, finish=Finish.objects.of(shop).get(name="Gloss laminate"))
    assert next(stage for stage in glossy.stages.all() if stage.kind.key == "laminate").left_out
    # As changing the job itself has it.
    job_update(job, title="Crate labels", process=job.process, finish=glossy.finish)
    assert job.stages.get(kind__key="laminate").left_out


def test_a_program_gets_the_same_ways(shop):
    user = User.objects.create_user("ada")
    Membership.objects.create(user=user, shop=shop, role=Role.VIEWER)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    job = enquiry(shop, "UV", finish=Finish.objects.of(shop).get(name="Bare"))
    said = client.get(f"/api/v1/jobs/{job.number}/ways").json()
    assert said["number"] == job.number
    present = next(one for one in said["ways"] if one["present"])
    assert (present["process"], present["finish"], present["gloss_layer"]) == ("UV", "Bare", False)
    assert len(present["futures"]) == 20
    assert {one["process"] for one in said["cannot"]} == {"Cut only"}
    Job.objects.filter(pk=job.pk).update(status=JobStatus.CANCELLED)
    answer = client.get(f"/api/v1/jobs/{job.number}/ways")
    assert answer.status_code == 409
    assert "nothing left to choose" in answer.json()["detail"]
