"""What would bring a job forward, from the page's side; the arithmetic is in `engine/test_levers`."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from quay import enquiry, make_quay

from analytics.engine.variants import Common
from analytics.services import choices_sooner
from analytics.services.choices import jobs_to_ask, options_of
from analytics.services.choices_cutoffs import RUNS, deadlines_of
from analytics.services.choices_sooner import gains_of, soonest_of
from analytics.services.promises import promise_accept
from analytics.services.promising import promise_compute
from jobs.drivers import ItemSize
from jobs.models import Job, Stage, StageKind
from shop.models import Finish, Machine, MachineKind, Person, Skill, Unattended

pytestmark = pytest.mark.django_db

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)


@pytest.fixture
def shop():
    return make_quay()


def asked_of(shop, job, now=MONDAY):
    return options_of(shop, jobs_to_ask(shop).get(pk=job.pk), now=now)


def gain(gains, words):
    return next(one for one in gains if len(one.moves) == 1 and words in one.moves[0].words)


def promised(shop, **facts):
    job = enquiry(shop, **facts)
    promise_accept(promise_compute(shop, job, now=MONDAY, runs=200), user=None)
    return job


def test_artwork_now_takes_off_what_was_waited_for(shop):
    job = enquiry(shop, ready_from=MONDAY + timedelta(days=2))
    one = gain(gains_of(asked_of(shop, job)), "Have the artwork now instead of Wednesday 2 December, 09:00")
    assert one.minutes == pytest.approx(2 * 1440, abs=1)  # from one morning to another
    assert one.share == 1.0


def test_another_way_without_its_hold_and_no_laminate_are_offered(shop):
    matt = Finish.objects.of(shop).get(name="Matt laminate")
    gains = gains_of(asked_of(shop, enquiry(shop, "Solvent", finish=matt)))
    assert gain(gains, "Print by UV, which need not lie").minutes > 16 * 60
    # They are two ways of one job: never both at once.
    together = [one for one in gains if len(one.moves) == 2]
    assert all(len({move.touches for move in one.moves}) == 2 for one in together)


def test_only_what_is_worth_it_is_offered_the_best_first(shop):
    gains = gains_of(asked_of(shop, enquiry(shop, "Solvent", ready_from=MONDAY + timedelta(days=2))))
    assert all(one.minutes >= 15 for one in gains)
    assert [one.minutes for one in gains] == sorted((one.minutes for one in gains), reverse=True)
    best, two = gains[1], gains[0]
    assert len(two.moves) == 2
    assert two.minutes > best.minutes


def test_somebody_who_could_be_shown_how_is_named(shop):
    ben = Person.objects.create(shop=shop, name="Ben")
    ben.skills.set(Skill.objects.of(shop).exclude(name="Artwork"))
    for _ in range(4):
        promised(shop)
    words = [move.words for one in gains_of(asked_of(shop, enquiry(shop))) for move in one.moves]
    assert any(text == "Show Ben artwork: artwork waits for somebody free" for text in words)


def test_a_skill_that_two_stages_wait_for_is_learned_once(shop, monkeypatch):
    job = enquiry(shop)
    Person.objects.create(shop=shop, name="Ben")
    asked = asked_of(shop, job)
    by_hand = [one for one in asked.stages if one.skill is not None]
    two = next([x, y] for x in by_hand for y in by_hand if x.key < y.key and x.skill == y.skill)
    monkeypatch.setattr(choices_sooner, "waiting", lambda _: two)
    moves = list(choices_sooner.moves_of(asked, 0.0))
    assert len([one for one in moves if one.words.startswith("Show Ben ")]) == 1


def test_a_machine_that_must_be_watched_is_not_left_alone_and_one_by_day_is_with_its_caution(shop):
    Machine.objects.of(shop).filter(kind=MachineKind.PRINTER).update(unattended=Unattended.OPEN_HOURS)
    Machine.objects.of(shop).filter(kind=MachineKind.CUTTER).update(unattended=Unattended.NO)
    job = enquiry(shop, items=[ItemSize(1200, 3000, 30)])
    moves = [one.moves[0] for one in gains_of(asked_of(shop, job)) if len(one.moves) == 1]
    nights = [move for move in moves if "run on alone" in move.words]
    assert [move.words for move in nights] == ["Let printer run on alone after closing"]
    assert "fire risk" in nights[0].caution


def test_put_first_it_is_sooner_and_says_who_and_what_is_needed_when(shop):
    for _ in range(3):
        promised(shop)
    asked = asked_of(shop, enquiry(shop))
    soonest = soonest_of(asked)
    assert soonest.promised_at < soonest.present
    assert soonest.minutes > 60
    assert soonest.steps[0].stage == "Artwork"
    by_stage = {step.stage: step for step in soonest.steps}
    assert (by_stage["Print"].people, by_stage["Print"].machine) == ("Ines", "printer")
    assert all(step.earliest <= step.latest for step in soonest.steps)
    assert "Blades" in by_stage["Cut"].caution


def fixed_job(shop, *minutes):
    """A job of waits of fixed length alone, but for its first stage."""
    job = enquiry(shop)
    kept = [stage for stage in job.stages.all() if not stage.left_out]
    approval = StageKind.objects.of(shop).get(key="approval")
    for stage, length in zip(kept, minutes, strict=False):
        Stage.objects.filter(pk=stage.pk).update(kind=approval, hold_min=length)
    Stage.objects.filter(job=job).exclude(pk__in=[s.pk for s in kept[: len(minutes)]]).update(left_out=True)
    return job


def test_a_job_that_only_waits_has_no_start_to_miss(shop):
    assert deadlines_of(asked_of(shop, fixed_job(shop, 600, 600))) == []


def test_a_print_that_has_to_lie_has_a_cut_off_that_keeps_the_day(shop):
    # The engine's cases are added up by hand; here: it is a real instant that keeps the day, and half an hour later
    # does not.
    job = enquiry(shop, "Solvent", finish=Finish.objects.of(shop).get(name="Bare"))
    Stage.objects.filter(job=job, kind__key="artwork").update(left_out=True)
    found = {one.stage: one for one in deadlines_of(asked_of(shop, job))}
    cut = found["Print"]
    assert MONDAY < cut.latest < cut.by < cut.missed
    assert cut.lies == "Outgas"
    assert (cut.by.hour, cut.by.minute) == (17, 0)
    assert cut.sentence.startswith("Begin print by ")
    assert "outgas passes while the shop is closed" in cut.sentence
    assert cut.latest.minute % 5 == 0
    assert cut.missed.date() > cut.by.date()


def test_the_date_that_was_given_is_what_a_cut_off_keeps(shop):
    job = promised(shop)
    job.refresh_from_db()
    found = deadlines_of(asked_of(shop, job))
    assert {one.by for one in found} <= {job.due_at}
    assert all("the date given" in one.sentence for one in found)


def test_a_date_that_holds_only_if_it_begins_at_once_says_so(shop):
    job = promised(shop)
    job.refresh_from_db()
    asked = asked_of(shop, job)
    few = Common.of(asked.book, runs=RUNS, seed=job.number)
    tight = asked.at(asked.reached(few.finish(asked.book))) + timedelta(minutes=2)
    Job.objects.filter(pk=job.pk).update(due_at=tight)
    found = deadlines_of(asked_of(shop, job))
    assert any(one.sentence.startswith("Begin artwork now: the date given") for one in found)
