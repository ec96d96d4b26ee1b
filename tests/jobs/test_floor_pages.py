"""The floor pages without a script: one press is one form."""

import re
from collections import Counter
from datetime import timedelta
from html.parser import HTMLParser
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.models import (
    Cause,
    ClockEvent,
    Element,
    Interval,
    IntervalKind,
    Job,
    JobStatus,
    JobType,
    Stage,
    StageState,
)
from jobs.selectors.floor import UNDO
from jobs.services.jobs import job_create
from shop.models import (
    Finish,
    Machine,
    MachineKind,
    Membership,
    Person,
    Process,
    Role,
    Shop,
    Unattended,
    User,
)
from shop.services import shop_create

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin")
    Person.objects.create(shop=shop, name="Ada")
    Person.objects.create(shop=shop, name="Ben")
    for name in ("Wide printer", "Small printer"):
        Machine.objects.create(
            shop=shop,
            name=name,
            kind=MachineKind.PRINTER,
            unattended=Unattended.OPEN_HOURS,
        )
    return shop


@pytest.fixture
def job(shop: Shop) -> Job:
    return a_job(shop)


def a_job(shop: Shop, title: str = "Van, two sides") -> Job:
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title=title,
        process=Process.objects.of(shop).get(name="Solvent"),
        finish=Finish.objects.of(shop).get(name="Bare"),
    )


def log_in(shop: Shop, role: Role = Role.MAKER) -> Client:
    user = User.objects.create_user(f"{role}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


@pytest.fixture
def maker(shop: Shop) -> Client:
    """A log-in of the shop, at which Ada presses."""
    client = log_in(shop)
    client.post(reverse("jobs:who"), {"person": Person.objects.get(shop=shop, name="Ada").pk})
    return client


class Presses(HTMLParser):
    """The presses of a page that can be pressed: the word on each, and what its form sends."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self.every_id: list[str] = []
        self._form: dict[str, str] | None = None
        self._button = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form" and "data-tap" in given:
            self._form, self._hidden = {}, "hidden" in given
        elif tag == "input" and self._form is not None:
            self._form[given["name"]] = given["value"]
            self.every_id += [given["value"]] if given["name"] == "id" else []
        elif tag == "button" and self._form is not None:
            self._button = not self._hidden and "disabled" not in given

    def handle_data(self, data: str) -> None:
        if self._button and self._form is not None and data.strip():
            self.found.append((data.strip(), self._form))
            self._button = False

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None

    @property
    def words(self) -> list[str]:
        return [word for word, _ in self.found]


def page_of(client: Client, job: Job, stage: Stage | None = None) -> str:
    address = reverse("jobs:stopwatch", args=[job.number])
    response = client.get(address, {"stage": stage.pk} if stage else {})
    assert response.status_code == 200
    return response.content.decode()


def press(
    client: Client, job: Job, word: str, stage: Stage | None = None, times: int = 1, **more: object
) -> str:
    """Press the button with this word on the stopwatch; gives the page that the press leads to."""
    form = dict(Presses(page_of(client, job, stage)).found)[word]
    for _ in range(times):
        response = client.post(reverse("jobs:press", args=[job.number]), {**form, **more}, follow=True)
        assert response.status_code == 200
    return response.content.decode()


def stage_of(job: Job, key: str) -> Stage:
    return job.stages.get(kind__key=key)


def states(job: Job, *keys: str) -> list[str]:
    return [stage_of(job, key).state for key in keys]


def test_a_stage_is_started_paused_resumed_put_aside_and_finished_by_forms(maker, job):
    artwork = stage_of(job, "artwork")
    assert "Running" in press(maker, job, "Start", artwork)
    assert states(job, "artwork") == [StageState.RUNNING]
    assert Job.objects.get(pk=job.pk).status == JobStatus.IN_HAND
    page = press(maker, job, "Fetch material")
    assert "Fetch material, since" in page
    assert Interval.objects.get(stage=artwork, ends_at=None).cause.key == "fetch-material"
    press(maker, job, "Resume")
    assert Interval.objects.get(stage=artwork, ends_at=None).person.name == "Ada"
    press(maker, job, "Put aside")
    assert states(job, "artwork") == [StageState.PUT_ASIDE]
    press(maker, job, "Start", artwork)
    page = press(maker, job, "Finish")
    assert states(job, "artwork") == [StageState.FINISHED]
    assert "Artwork finished" in page


def test_next_finishes_one_stage_starts_another_on_its_machine_and_shows_it(maker, job):
    load = stage_of(job, "load")
    press(maker, job, "Start", stage_of(job, "artwork"))
    press(maker, job, "Finish")
    press(maker, job, "Start", load)
    page = press(maker, job, "Next: Print")
    assert states(job, "load", "print") == [StageState.FINISHED, StageState.RUNNING]
    assert '<span data-stage-name>Print</span> <span class="tag on"' in page
    assert "Load and set up finished, Print started" in page
    runs = Interval.objects.filter(stage=stage_of(job, "print"), kind=IntervalKind.MACHINE)
    assert [run.machine.kind for run in runs] == [MachineKind.PRINTER]


def test_a_print_is_left_running_and_come_back_to(maker, job):
    printing = stage_of(job, "print")
    wide, small = Machine.objects.get(name="Wide printer"), Machine.objects.get(name="Small printer")
    press(maker, job, "Start", printing, machine=wide.pk)
    page = press(maker, job, "Leave it running")
    assert "<strong>Wide printer</strong> runs alone" in page
    assert states(job, "print") == [StageState.RUNNING]
    assert "Leave it running" not in Presses(page).words
    press(maker, job, "Back at it")
    assert Interval.objects.get(stage=printing, kind=IntervalKind.HANDS_ON, ends_at=None).person.name == "Ada"
    press(maker, job, "Go on with Small printer")
    assert Interval.objects.get(stage=printing, kind=IntervalKind.MACHINE, ends_at=None).machine == small


def test_somebody_else_joins_in_and_leaves_it_to_the_others(maker, job, shop):
    artwork = stage_of(job, "artwork")
    press(maker, job, "Start", artwork)
    maker.post(reverse("jobs:who"), {"person": Person.objects.get(shop=shop, name="Ben").pk})
    assert "Join in" in Presses(page_of(maker, job, artwork)).words
    press(maker, job, "Join in", artwork)
    there = Interval.objects.filter(stage=artwork, ends_at=None)
    assert sorted(one.person.name for one in there) == ["Ada", "Ben"]
    press(maker, job, "Leave it to the others", artwork)
    assert [one.person.name for one in there.all()] == ["Ada"]


def test_the_elements_of_a_stage_are_lapped_in_their_order(maker, job, shop):
    printing = stage_of(job, "print")
    printing.kind.elements.all().delete()
    for position, name in enumerate(("Warm up", "First metre")):
        Element.objects.create(shop=shop, kind=printing.kind, name=name, position=position)
    press(maker, job, "Start", printing)
    page = press(maker, job, "Lap: Warm up", printing)
    assert "Lap: First metre" in Presses(page).words
    assert "Lap of Print taken" in page
    assert ClockEvent.objects.get(kind="lap").element.name == "Warm up"


def test_work_is_done_again_from_an_earlier_stage_with_what_was_lost(maker, job, shop):
    press(maker, job, "Start", stage_of(job, "load"))
    press(maker, job, "Next: Print")
    printing = stage_of(job, "print")
    cause = Cause.objects.of(shop).filter(remakes=True).first()
    page = page_of(maker, job, printing)
    assert cause.name in page
    form = {"id": uuid4(), "kind": "again", "stage": printing.pk, "to_stage": stage_of(job, "load").pk}
    form |= {"cause": cause.pk, "scrapped": "2", "wasted_m": "1.5"}
    address = reverse("jobs:press", args=[job.number])
    wrong = maker.post(address, {**form, "wasted_m": "some"}, follow=True).content.decode()
    assert "Say pieces and metres in numbers, as 2 or 1.5. Nothing was recorded." in wrong
    assert not ClockEvent.objects.filter(kind="again").exists()
    page = maker.post(address, form, follow=True).content.decode()
    assert "Load and set up is done again" in page
    again = ClockEvent.objects.get(kind="again")
    assert (again.to_stage.kind.key, again.scrapped, again.wasted_m) == ("load", 2, 1.5)
    assert states(job, "load") == [StageState.PUT_ASIDE]


def test_a_second_stage_is_begun_beside_a_machine_that_runs_alone(maker, job):
    wide = Machine.objects.get(name="Wide printer")
    running = press(maker, job, "Start", stage_of(job, "print"), machine=wide.pk)
    assert "Next: Template" not in running  # it would finish the print
    assert running.index("Also: Template") < running.index("Finish")
    page = press(maker, job, "Also: Template", stage_of(job, "print"))
    assert "Template started" in page
    assert states(job, "print", "template") == [StageState.RUNNING, StageState.RUNNING]
    assert Interval.objects.get(person__name="Ada", ends_at=None).stage == stage_of(job, "template")


def test_a_form_sent_twice_counts_once_and_says_nothing_of_it(maker, job):
    page = press(maker, job, "Start", stage_of(job, "artwork"), times=2)
    assert ClockEvent.objects.count() == 1
    assert "Not done" not in page


def test_each_press_of_a_page_has_an_id_of_its_own(maker, job):
    page = press(maker, job, "Start", stage_of(job, "print"))
    ids = Counter(Presses(page).every_id)
    assert len(ids) > 12
    assert set(ids.values()) == {1}


def test_the_last_press_is_taken_back_within_ten_seconds(maker, job, time_machine):
    artwork, pressed = stage_of(job, "artwork"), timezone.now()
    time_machine.move_to(pressed, tick=False)
    page = press(maker, job, "Start", artwork)
    assert "Artwork started" in page
    time_machine.move_to(pressed + UNDO - timedelta(seconds=1), tick=False)
    page = press(maker, job, "Undo", artwork)
    assert states(job, "artwork") == [StageState.WAITING]
    assert Interval.objects.count() == 0
    assert "Undo" not in Presses(page).words
    assert Job.objects.get(pk=job.pk).status == JobStatus.ENQUIRY


def test_after_ten_seconds_nothing_is_offered_to_be_taken_back(maker, job, time_machine):
    artwork, pressed = stage_of(job, "artwork"), timezone.now()
    time_machine.move_to(pressed, tick=False)
    press(maker, job, "Start", artwork)
    time_machine.move_to(pressed + UNDO, tick=False)
    assert "Undo" not in Presses(page_of(maker, job, artwork)).words


def test_nothing_can_be_pressed_before_it_is_said_who_presses(shop, job):
    client = log_in(shop)
    page = page_of(client, job)
    assert "Who presses?" in page
    assert Presses(page).words == []
    ada = Person.objects.get(shop=shop, name="Ada")
    response = client.post(
        reverse("jobs:who"),
        {"person": ada.pk, "number": job.number, "stage": stage_of(job, "print").pk},
        follow=True,
    )
    page = response.content.decode()
    assert "<strong>Ada</strong> presses" in page
    assert "<span data-stage-name>Print</span>" in page
    assert Presses(page).words[0] == "Start"


def test_a_log_in_of_a_person_presses_as_that_person(shop, job):
    client = log_in(shop)
    Person.objects.filter(shop=shop, name="Ben").update(user=User.objects.get(username="maker-quay"))
    press(client, job, "Start", stage_of(job, "artwork"))
    assert ClockEvent.objects.get().person.name == "Ben"


def test_a_shop_without_people_can_still_clock(shop, job):
    Person.objects.all().delete()
    client = log_in(shop)
    assert "Nobody works here yet" in page_of(client, job)
    press(client, job, "Start", stage_of(job, "artwork"))
    assert Interval.objects.get(ends_at=None).person is None


def test_the_first_page_starts_the_job_clocked_last_with_one_press(maker, job):
    press(maker, job, "Start", stage_of(job, "artwork"))
    press(maker, job, "Finish")
    address = reverse("jobs:floor")
    found = Presses(maker.get(address).content.decode()).found
    word, form = found[0]
    assert (word, form["stage"]) == ("Start", str(stage_of(job, "load").pk))
    response = maker.post(reverse("jobs:press", args=[job.number]), form)
    assert response["Location"] == address
    page = maker.get(address).content.decode()
    assert states(job, "load") == [StageState.RUNNING]
    assert Presses(page).words[0] == "Next: Print"
    assert "Load and set up started" in page


def test_the_floor_lists_what_runs_what_rests_and_the_jobs(maker, job, shop):
    other = a_job(shop, "Shop window")
    press(maker, other, "Start", stage_of(other, "artwork"))
    wide = Machine.objects.get(name="Wide printer")
    press(maker, job, "Start", stage_of(job, "print"), machine=wide.pk)  # Ada is called away from the window
    page = maker.get(reverse("jobs:floor")).content.decode()
    running, resting = page.split("<h2>Paused</h2>")
    assert re.search(r">Print</a>.*Van, two sides.*Wide printer</strong>, Ada", running, re.S)
    assert "Shop window" not in running
    assert "Paused: Other work, since" in resting


def test_a_hold_runs_by_the_clock_with_nobody_at_it(maker, job):
    approval = stage_of(job, "approval")
    Stage.objects.filter(pk=approval.pk).update(left_out=False)
    page = press(maker, job, "Start", approval)
    assert "Pause" not in Presses(page).words
    assert re.search(r'data-ticking data-base-seconds="0" data-since="\d{13}"', page)
    press(maker, job, "Finish", approval)
    assert states(job, "approval") == [StageState.FINISHED]


def test_a_print_that_lies_says_until_when_and_takes_no_press(maker, job):
    press(maker, job, "Start", stage_of(job, "print"))
    press(maker, job, "Finish")
    outgas = stage_of(job, "outgas")
    page = page_of(maker, job, outgas)
    assert "until" in page
    assert "Starting what follows ends it sooner." in page
    assert [word for word in Presses(page).words if word != "Undo"] == []


def test_another_shop_s_job_stage_and_person_are_not_there(maker, job):
    elsewhere = shop_create(slug="harbour", name="Harbour Signs")
    theirs = a_job(elsewhere)
    stranger = Person.objects.create(shop=elsewhere, name="Cleo")
    assert maker.get(reverse("jobs:stopwatch", args=[99])).status_code == 404
    response = maker.post(
        reverse("jobs:press", args=[job.number]),
        {"id": "0d7a1c1e-6f0e-4a53-8a11-0f6f0d0c0b0a", "kind": "start", "stage": theirs.stages.first().pk},
        follow=True,
    )
    assert "There is no such stage in this shop." in response.content.decode()
    maker.post(reverse("jobs:who"), {"person": stranger.pk})
    assert "<strong>Ada</strong> presses" in page_of(maker, job)
    assert ClockEvent.objects.count() == 0


def test_a_viewer_may_not_and_a_stranger_is_asked_to_log_in(shop, job):
    viewer = log_in(shop, Role.VIEWER)
    pages = [("get", reverse("jobs:floor")), ("get", reverse("jobs:stopwatch", args=[job.number]))]
    pages += [("post", reverse("jobs:press", args=[job.number])), ("post", reverse("jobs:who"))]
    for method, address in pages:
        assert getattr(viewer, method)(address).status_code == 403
        assert getattr(Client(), method)(address)["Location"].startswith("/login/")


def test_a_press_that_is_cut_short_is_said_so(maker, job):
    response = maker.post(reverse("jobs:press", args=[job.number]), {"kind": "start"}, follow=True)
    assert "That press was incomplete. Please press again." in response.content.decode()


def test_a_finished_job_says_so_and_an_empty_floor_says_what_to_do(maker, job, shop):
    job.stages.update(state=StageState.FINISHED, finished_at=timezone.now())
    assert "Every stage is finished." in page_of(maker, job)
    Job.objects.filter(pk=job.pk).update(status=JobStatus.CANCELLED)
    assert "No job is promised or in hand." in maker.get(reverse("jobs:floor")).content.decode()
    found = maker.get(reverse("jobs:floor"), {"q": "no such thing"}).content.decode()
    assert "No open job matches “no such thing”." in found
