"""Replays of a shop's own past: which jobs, which minutes, what a change does, and the work in the background."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from analytics.engine.replay import check, play
from analytics.engine.shop_changes import (
    AddMachine,
    AddPerson,
    DropMachine,
    DropPerson,
    LongerDays,
    OpenDay,
    RunAlone,
    ShorterHolds,
    SwapProcess,
    changed_shop,
    from_json,
    to_json,
)
from analytics.models import Promise, Replay, RunState, Sample
from analytics.selectors.replays import jobs_in, past_shop
from analytics.services.replays import (
    REPLAYS,
    replay_want,
)
from analytics.words.replay import names_of, say_change, say_changes, say_range, say_took
from jobs.models import Item, Job, JobStatus, Stage
from shop.errors import BadInput, ShopError
from shop.models import Machine, MachineKind, Membership, Person, Process, Role, Shop, Unattended, User
from tests.analytics.quay import make_quay
from tests.analytics.replay_world import DAYS, MONDAY, NOW, past_job, two_weeks

pytestmark = pytest.mark.django_db
SATURDAY = OpenDay(5, "09:00", "17:00")


@pytest.fixture
def quay() -> Shop:
    return make_quay()


def hours_taken(shop, changes=(), days=DAYS):
    """From coming in to finished of each scored job, elapsed hours, by its number."""
    found = past_shop(shop, *days, NOW)
    past = found.past()
    finish = play(found.work(changes), runs=1, seed=1, span=found.span, pools=found.pools()).finish[0]
    taken = (finish - past.arrived) / 60
    return {job.number: taken[i] for i, job in enumerate(found.jobs) if past.scored[i]}


def test_a_past_that_is_added_up_by_hand(quay):
    """One person, 9 to 17: Monday's three are done after 2, 4 and 6 hours.

    Friday's first is begun at 16:00 and done on Monday at 10:00, after 66 hours; the second is begun then. On the
    second Monday the three are due a day later than Friday's two, so these go first.
    """
    two_weeks(quay)
    taken = hours_taken(quay)
    assert [taken[k] for k in (1, 2, 3)] == [2, 4, 6]
    assert [taken[k] for k in (4, 5)] == [66, 68]
    assert [taken[k] for k in (6, 7, 8)] == [
        5,
        7,
        24 + 1 + 0,
    ]  # 17:00 is closing: the last is done on Tuesday at 10:00
    taken = hours_taken(quay, [SATURDAY])
    assert [taken[k] for k in (4, 5)] == [18, 20]
    assert [taken[k] for k in (6, 7, 8)] == [2, 4, 6]
    taken = hours_taken(quay, [AddPerson(0)])
    assert [taken[k] for k in (1, 2, 3)] == [2, 2, 4]


def test_which_jobs_come_in_and_when(quay):
    cancelled = past_job(quay, MONDAY, ("weed", 60), status=JobStatus.CANCELLED)
    asked = past_job(quay, MONDAY, ("weed", 60), status=JobStatus.ENQUIRY, finished_at=None)
    logged = past_job(quay, NOW, ("weed", 60), started_at=MONDAY, finished_at=MONDAY)  # brought in long after
    promised = past_job(quay, MONDAY - timedelta(days=9), ("weed", 60), finished_at=NOW)
    Promise.objects.create(
        shop=quay,
        job=promised,
        made_at=MONDAY + timedelta(days=1),
        promised_at=NOW,
        confidence=0.8,
        quantiles={},
        quote={},
        seed=1,
        runs=1,
        model_version="1",
        backlog_digest="",
        snapshot=b"",
    )
    before = past_job(quay, MONDAY - timedelta(days=3), ("weed", 60))
    long_ago = past_job(quay, MONDAY - timedelta(days=60), ("weed", 60))
    later = past_job(quay, NOW + timedelta(hours=1), ("weed", 60))
    found = past_shop(quay, *DAYS, NOW)
    came = dict(zip((job.number for job in found.jobs), found.arrived, strict=True))
    assert {cancelled.number, asked.number, long_ago.number, later.number}.isdisjoint(came)
    assert came[logged.number] == MONDAY
    assert came[promised.number] == MONDAY + timedelta(days=1)
    scored = {job.number for job, one in zip(found.jobs, found.past().scored, strict=True) if one}
    assert scored == {logged.number, promised.number}  # the one before the first day takes part only
    assert before.number in came
    assert jobs_in(quay, *DAYS, NOW) == 2


def test_what_was_finished_before_the_beginning_is_not_done_again(quay):
    job = past_job(quay, MONDAY - timedelta(days=30), ("weed", 60), ("mask", 30), finished_at=NOW)
    Stage.objects.filter(job=job, kind__key="weed").update(finished_at=MONDAY - timedelta(days=25))
    Stage.objects.filter(job=job, kind__key="mask").update(finished_at=NOW)
    found = past_shop(quay, *DAYS, NOW)
    assert [stage.name for stage in found.work().stages] == [f"Mask of job {job.number}"]


def test_clocked_minutes_are_taken_as_they_were_and_others_are_drawn(quay):
    job = past_job(quay, MONDAY, ("weed", 61), ("mask", 0))
    weed, mask = past_shop(quay, *DAYS, NOW).work().stages
    assert set(weed.hands_on.quantiles) == {61.0}
    assert mask.hands_on.quantiles[0] < mask.hands_on.quantiles[-1]
    job.stages.get(kind__key="weed").sample.__class__.objects.update(used=False, why="a forgotten stop")
    weed, _ = past_shop(quay, *DAYS, NOW).work().stages
    assert weed.hands_on.quantiles[0] < weed.hands_on.quantiles[-1]


def test_another_process_has_its_own_hold_and_prints_by_the_forecast(quay):
    solvent, uv = Process.objects.of(quay).get(name="Solvent"), Process.objects.of(quay).get(name="UV")
    assert solvent.hold_min > 0 == uv.hold_min
    past_job(quay, MONDAY, ("print", 40), ("outgas", 0), ("weed", 25), process=solvent)
    other = past_job(quay, MONDAY, ("print", 40), process=uv)
    found = past_shop(quay, *DAYS, NOW)
    was, now = found.work(), found.work([SwapProcess(solvent.pk, uv.pk)])
    assert [set(s.unattended.quantiles) for s in was.stages if s.people == 0] == [{float(solvent.hold_min)}]
    held = [stage for stage in now.stages if stage.people == 0]
    assert all(set(stage.unattended.quantiles) == {0.0} for stage in held)  # gone, or over at once
    mine = {stage.name.split(" of ")[0]: stage for stage in now.stages if stage.job == 0}
    assert mine["Print"].process == uv.pk
    assert mine["Print"].hands_on.quantiles[0] < mine["Print"].hands_on.quantiles[-1]
    assert set(mine["Weed"].hands_on.quantiles) == {25.0}
    untouched = next(stage for stage in now.stages if stage.name == f"Print of job {other.number}")
    assert (untouched.process, sum(untouched.hands_on.quantiles[:1])) == (uv.pk, 40.0)
    assert found.jobs[0].process == solvent  # the rows themselves are as they were
    shorter = found.work([ShorterHolds(90)])
    assert [set(s.unattended.quantiles) for s in shorter.stages if s.people == 0] == [{90.0}]


def test_a_job_stays_as_it_was_where_the_other_process_does_not_suit_it(quay):
    solvent, uv, cut = (Process.objects.of(quay).get(name=name) for name in ("Solvent", "UV", "Cut only"))
    job = past_job(quay, MONDAY, ("print", 40), process=solvent)
    Item.objects.create(shop=quay, job=job, width_mm=10, height_mm=10)
    swaps = [SwapProcess(solvent.pk, uv.pk)], [SwapProcess(solvent.pk, cut.pk)]
    assert [past_shop(quay, *DAYS, NOW).made_otherwise(swap) for swap in swaps] == [1, 0]  # it has ink
    job.job_type.unsuited.add(uv)
    assert past_shop(quay, *DAYS, NOW).made_otherwise(swaps[0]) == 0


def test_a_machine_that_may_run_alone_frees_whoever_stood_beside_it(quay):
    Machine.objects.of(quay).update(unattended=Unattended.NO)
    printer = Machine.objects.of(quay).get(kind=MachineKind.PRINTER)
    past_job(quay, MONDAY, ("print", 100), process=Process.objects.of(quay).get(name="UV"))
    found = past_shop(quay, *DAYS, NOW)
    (stayed,) = found.work().stages
    assert (set(stayed.hands_on.quantiles), stayed.unattended) == ({100.0}, None)
    (alone,) = found.work([RunAlone(printer.pk, "open_hours")]).stages
    assert alone.hands_on.quantiles[0] + alone.unattended.quantiles[0] == pytest.approx(100)
    assert 0 < alone.hands_on.quantiles[0] < 50  # the trade's share of a print that needs somebody


def test_what_is_changed_about_a_shop(quay):
    found = past_shop(quay, *DAYS, NOW)
    ines, printer = Person.objects.of(quay).get(), Machine.objects.of(quay).get(kind=MachineKind.PRINTER)
    changes = (
        AddMachine(printer.pk),
        DropMachine(Machine.objects.of(quay).get(kind=MachineKind.LAMINATOR).pk),
        AddPerson(ines.pk),
        LongerDays(90),
        SATURDAY,
        RunAlone(printer.pk, "no"),
    )
    assert from_json(to_json(changes)) == changes
    spec = changed_shop(found.spec, changes)
    assert [m.name for m in spec.machines] == ["cutter", "printer", "Another printer"]
    assert len({m.key for m in spec.machines}) == 3
    assert spec.people[1].skills == spec.people[0].skills
    assert {f"{opens:%H:%M}-{closes:%H:%M}" for day in range(5) for opens, closes in spec.hours[day]} == {
        "09:00-18:30"
    }
    late = changed_shop(found.spec, [LongerDays(600)])
    assert all(
        closes.hour == 0 for windows in late.hours.values() for _, closes in windows
    )  # midnight, not beyond
    assert changed_shop(found.spec, [DropPerson(ines.pk), DropMachine(0)]).people == ()
    said = say_changes([*changes, SwapProcess(0, 0), ShorterHolds(90), DropPerson(ines.pk)], names_of(quay))
    assert said[0] == "another machine like printer"
    assert said[4] == "open on Saturday from 09:00 to 17:00"
    assert said[-2:] == ["no print lies longer than 1.5 hours", "without Ines"]


@pytest.mark.parametrize(
    ("minutes", "said"), [(12, "12 minutes"), (90, "1.5 hours"), (2000, "33.3 hours"), (4896, "3.4 days")]
)
def test_times_in_words(minutes, said):
    assert say_took(minutes) == said
    assert say_change(-minutes) == f"{said} less"
    assert say_change(0.4) == "the same"
    assert say_range(-minutes - 6000, -minutes) == f"{say_took(minutes + 6000)} to {said} less"
    assert say_range(-minutes, minutes) == f"{said} less to {said} more"


def wanted(shop, *changes, days=DAYS):
    return replay_want(shop, days, changes or [SATURDAY], None, NOW)


def test_a_replay_says_what_was_beside_what_would_have_been(quay):
    two_weeks(quay)
    replay = wanted(quay)
    assert not REPLAYS.carry_on(replay.pk, 60)
    replay.refresh_from_db()
    assert (replay.state, replay.done, replay.error) == (RunState.DONE, replay.total, "")
    said = replay.result["comparison"]
    assert (said["jobs"], said["dated"], said["later"]) == (10, 10, 0)
    # In time are all but Friday's four and the last of the second Monday; on Saturdays all ten.
    assert (said["kept"]["before"], said["kept"]["after"]) == (pytest.approx(0.5), 1.0)
    assert replay.result["check"]["median_real"] == 2 * 1440
    assert replay.result["jobs"][3]["kept_after"] == 1.0
    assert {row["name"] for row in replay.result["busy"]} >= {"Ines"}
    assert sum(row["before"] for row in replay.result["busy"]) * replay.result["weeks"] == pytest.approx(20)


def test_jobs_without_dates_of_which_none_is_finished_are_replayed_all_the_same(quay):
    two_weeks(quay)
    Job.objects.update(due_at=None, finished_at=None, status=JobStatus.IN_HAND)
    replay = wanted(quay)
    REPLAYS.carry_on(replay.pk, 60)
    replay.refresh_from_db()
    assert (replay.state, replay.error) == (RunState.DONE, "")
    assert (replay.result["check"]["jobs"], replay.result["check"]["median_real"]) == (0, None)
    assert replay.result["comparison"]["kept"] is None


def test_a_replay_that_was_stopped_goes_on_to_the_same_answer(quay):
    two_weeks(quay)
    past_job(quay, MONDAY, ("weed", 0))  # one that is drawn
    whole = wanted(quay)
    REPLAYS.carry_on(whole.pk, 60)
    replay = wanted(quay)
    assert REPLAYS.carry_on(replay.pk, 0)  # one round, then it rests
    replay.refresh_from_db()
    assert (replay.done, replay.state) == (1, RunState.WANTED)
    REPLAYS.stop(replay)
    assert not REPLAYS.carry_on(replay.pk, 60)
    with pytest.raises(ShopError):
        REPLAYS.stop(replay)
    REPLAYS.go_on(replay, NOW)
    while REPLAYS.carry_on(replay.pk, 0):
        pass
    replay.refresh_from_db()
    whole.refresh_from_db()
    assert replay.state == RunState.DONE
    assert replay.result == whole.result
    with pytest.raises(ShopError):
        REPLAYS.go_on(replay, NOW)


def test_a_replay_begins_again_where_the_shop_has_changed_meanwhile(quay):
    two_weeks(quay)
    replay = wanted(quay)
    REPLAYS.carry_on(replay.pk, 0)
    Stage.objects.filter(job__number=1).first().sample.delete()
    REPLAYS.carry_on(replay.pk, 0)
    replay.refresh_from_db()
    assert (replay.done, len(replay.result["rounds"])) == (1, 1)


def test_what_is_clocked_meanwhile_does_not_make_it_begin_again(quay):
    two_weeks(quay)
    later = past_job(quay, MONDAY, ("weed", 60))
    Sample.objects.filter(stage__job=later).update(finished_at=NOW + timedelta(hours=1))
    replay = wanted(quay)
    REPLAYS.carry_on(replay.pk, 0)
    Sample.objects.filter(stage__job=later).update(hands_on_min=90)
    REPLAYS.carry_on(replay.pk, 0)
    replay.refresh_from_db()
    assert replay.done == 2


def test_a_replay_whose_worker_died_is_found_and_taken_over(quay):
    two_weeks(quay)
    replay = wanted(quay)
    long_ago = NOW - timedelta(minutes=2)
    Replay.objects.filter(pk=replay.pk).update(state=RunState.RUNNING, beat_at=long_ago)
    assert REPLAYS.waiting(NOW) == [replay.pk]
    assert not REPLAYS.carry_on(replay.pk, 60)
    replay.refresh_from_db()
    assert replay.state == RunState.DONE


def test_a_shop_that_could_not_do_the_work_says_so(quay):
    two_weeks(quay)
    replay = wanted(quay, DropPerson(Person.objects.of(quay).get().pk))
    assert not REPLAYS.carry_on(replay.pk, 60)
    replay.refresh_from_db()
    assert replay.state == RunState.FAILED
    assert "nobody can do" in replay.error


def test_what_makes_no_sense_is_refused(quay):
    two_weeks(quay)
    with pytest.raises(BadInput, match="Nothing is changed"):
        replay_want(quay, DAYS, [], None, NOW)
    with pytest.raises(BadInput, match="before the first"):
        wanted(quay, days=DAYS[::-1])
    with pytest.raises(BadInput, match="more than a year"):
        wanted(quay, days=(date(2020, 1, 1), DAYS[1]))
    with pytest.raises(BadInput, match="Only 3 jobs"):
        wanted(quay, days=(DAYS[0], DAYS[0]))
    wanted(quay)
    with pytest.raises(ShopError, match="under way"):
        wanted(quay)


def test_the_check_leaves_out_what_is_not_finished(quay):
    two_weeks(quay)
    Job.objects.filter(number=10).update(finished_at=None, status=JobStatus.IN_HAND)
    found = past_shop(quay, *DAYS, NOW)
    finish = play(found.work(), runs=2, seed=1, span=found.span, pools={}).finish
    said = check(found.past(), finish)
    assert (said.jobs, said.median_real) == (9, 2 * 1440)
    assert said.median_played == np.median([2, 4, 6, 66, 68, 5, 7, 25, 66]) * 60


@pytest.fixture
def planner(quay) -> Client:
    user = User.objects.create_user("planner")
    Membership.objects.create(user=user, shop=quay, role=Role.PLANNER)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def form_of(client: Client, **answers: str) -> dict[str, str]:
    form = client.get(reverse("analytics:replay")).context["form"]
    sent = {name: form[name].value() or "" for name in form.fields}
    return {**sent, "starts_on": str(DAYS[0]), "ends_on": str(DAYS[1]), **answers}


def test_a_planner_asks_and_reads_the_answer(quay, planner, django_capture_on_commit_callbacks):
    two_weeks(quay)
    with django_capture_on_commit_callbacks(execute=True):
        sent = form_of(planner, weekday="5", opens="09:00", closes="17:00", longer="60")
        answer = planner.post(reverse("analytics:replay"), sent)
    assert answer.status_code == 302, answer.context["form"].errors
    text = planner.get(answer.url).content.decode()
    assert "Every day 1 hour longer; open on Saturday from 09:00 to 17:00" in text
    assert "How far to trust it" in text
    assert "none later" in text
    rows = planner.get(f"{answer.url}jobs.csv").content.decode().splitlines()
    assert len(rows) == 11
    assert rows[0].startswith("number,title,came,due")
    tag = planner.get(answer.url)["ETag"]
    part = {"X-Part": "1", "If-None-Match": tag}
    assert planner.get(answer.url, headers=part).status_code == 304
    assert "Done" in planner.get(reverse("analytics:replay")).content.decode()
    planner.post(f"{answer.url}remove/")
    assert not Replay.objects.exists()


def test_changes_are_gathered_taken_out_and_put_back(quay, planner, django_capture_on_commit_callbacks):
    two_weeks(quay)
    address, cutter = reverse("analytics:replay"), Machine.objects.of(quay).get(kind=MachineKind.CUTTER)
    nothing = planner.post(address, form_of(planner, do="add"))
    assert (nothing.status_code, "Nothing is chosen" in nothing.content.decode()) == (422, True)

    def press(page, **answers):
        form = page.context["form"]
        sent = {name: form[name].value() or "" for name in form.fields}
        return planner.post(address, {**sent, "starts_on": str(DAYS[0]), "ends_on": str(DAYS[1]), **answers})

    another = f"another machine like {cutter.name}"
    page = press(planner.get(address), do="add", add_machine=str(cutter.pk))
    page = press(page, do="add", add_machine=str(cutter.pk))
    page = press(page, do="add", add_person="0")
    assert page.context["listed"] == [another, another, "another person, who can do everything"]
    page = press(page, do="out:2", longer="60")
    assert (len(page.context["listed"]), len(page.context["dropped"])) == (2, 1)
    assert page.context["form"]["longer"].value() == "60"  # what was chosen meanwhile stays
    page = press(page, do="back")
    assert (len(page.context["listed"]), len(page.context["dropped"])) == (3, 0)
    with django_capture_on_commit_callbacks():
        assert press(page).status_code == 302
    kept = from_json(Replay.objects.get().changes)
    assert kept == (AddMachine(cutter.pk), AddMachine(cutter.pk), AddPerson(0), LongerDays(60))


def test_a_list_that_is_not_from_here_is_none(quay, planner):
    two_weeks(quay)
    answer = planner.post(reverse("analytics:replay"), form_of(planner, listed='[{"what": "longer_days"}]'))
    assert answer.status_code == 422
    assert "Nothing is changed" in answer.content.decode()


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ({}, "Nothing is changed"),
        ({"weekday": "5"}, "from when to when"),
        ({"weekday": "5", "opens": "12:00", "closes": "09:00"}, "before it opens"),
        ({"opens": "12:00"}, "Choose the day"),
        ({"swap_from": "99999"}, "not one of the available"),
        ({"add_machine": "99999"}, "not one of the available"),
        ({"hold_hours": "-1"}, "Give hours from 0 on"),
        ({"longer": "60", "starts_on": "yesterday"}, "Enter a valid date"),
    ],
)
def test_what_is_wrong_is_said_at_its_field(quay, planner, answers, said):
    two_weeks(quay)
    answer = planner.post(reverse("analytics:replay"), form_of(planner, **answers))
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not Replay.objects.exists()


def test_with_too_few_jobs_the_page_says_what_to_do(quay, planner):
    text = planner.get(reverse("analytics:replay")).content.decode()
    assert f'value="{timezone.localdate():%Y-%m-%d}"' in text  # as a browser's own field for days takes it
    assert "No job came in during the last 90 days" in text
    assert "bring in a log" in text
