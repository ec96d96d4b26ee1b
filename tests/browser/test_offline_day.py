"""A working day of two hundred taps from two devices in a real browser, with a network that comes and goes."""

import random
import re
import statistics
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from django.urls import reverse
from playwright.sync_api import Page, Route

from jobs.models import Cause, ClockEvent, Interval, Job, JobStatus, JobType, Lap, Stage
from jobs.services.clock import fold_shop
from jobs.services.jobs import job_create
from jobs.services.taps import Tap, record_taps
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

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

STORE = 'import("/static/jobs/js/store.js")'
TAPS = 200
JOBS = 8
SLOW = timedelta(hours=2)  # the second device's clock
EXACT = 0.3  # seconds: how exactly a clock is measured; a thumb takes 0.5 from press to press

# Both what the page asks for and what its own script does, as it is: only its clock is another, and what reaches the
# disk is listed.
WATCHED = """([shift]) => {
  const Real = Date;
  globalThis.Date = class extends Real {
    constructor(...given) { if (given.length) super(...given); else super(Real.now() + shift); }
    static now() { return Real.now() + shift; }
  };
  const ask = globalThis.fetch;
  globalThis.fetch = async (...what) => {
    const from = performance.now();
    try { return await ask(...what); } finally {
      sessionStorage.longest = Math.max(Number(sessionStorage.longest ?? 0), performance.now() - from);
    }
  };
  globalThis.onDisk = [];
  const add = IDBObjectStore.prototype.add;
  IDBObjectStore.prototype.add = function (value, ...rest) {
    if (this.name === "taps") this.transaction.addEventListener("complete", () => globalThis.onDisk.push(value));
    return add.call(this, value, ...rest);
  };
}"""

# Presses one of the page's buttons, as the dice fall, and waits until the tap is on the disk. A thumb's half second
# between two presses is passed over by dating the click.
PRESS = """async (dice) => {
  const weights = { next: 4, start: 3, resume: 5, lap: 2, pause: 0.4, leave: 1, finish: 1, aside: 0.5, void: 0.4 };
  const buttons = [...document.querySelectorAll("[data-part] button[data-press], [data-undo] button[data-press]")]
    .filter((one) => !one.disabled).map((one) => [one, weights[JSON.parse(one.dataset.press).kind] ?? 0]);
  let left = dice * buttons.reduce((sum, [, weight]) => sum + weight, 0);
  const [button] = buttons.find(([, weight]) => (left -= weight) < 0) ?? [];
  if (!button) return null;
  const before = globalThis.onDisk.length, shown = document.querySelector("[data-part]").innerHTML;
  const click = new MouseEvent("click", { bubbles: true, cancelable: true });
  globalThis.dated = Math.max((globalThis.dated ?? 0) + 600, performance.now());
  Object.defineProperty(click, "timeStamp", { value: globalThis.dated });
  const from = performance.now();
  button.dispatchEvent(click);
  const changed = document.querySelector("[data-part]").innerHTML !== shown ? performance.now() - from : null;
  while (globalThis.onDisk.length === before) {
    if (performance.now() - from > 10000) throw new Error("the tap did not reach the disk");
    await new Promise((done) => setTimeout(done, 4));
  }
  return { tap: globalThis.onDisk.at(-1), changed, kept: performance.now() - from };
}"""


@dataclass
class Device:
    """A device in somebody's hand, and what was pressed on it."""

    page: Page
    number: int
    offline: bool = False
    posts: int = 0
    lost: int = 0
    pressed: list[dict[str, Any]] = field(default_factory=list)

    def press(self, dice: float) -> bool:
        began = datetime.now(UTC)
        said = self.page.evaluate(PRESS, dice)
        if said is not None:
            self.pressed.append({**said, "between": (began, datetime.now(UTC)), "offline": self.offline})
        return said is not None

    def exact(self) -> float:
        """Within how many seconds its clock is known: half the way there and back, which a busy machine makes long."""
        return max(EXACT, float(self.page.evaluate("Number(sessionStorage.longest ?? 0)")) / 2000)

    def cut(self, offline: bool) -> None:
        self.offline = offline
        self.page.context.set_offline(offline)

    def answer(self, route: Route) -> None:
        """Every sixth answer is lost on its way back."""
        if self.offline:
            route.abort("internetdisconnected")
            return
        self.posts += 1
        answer = route.fetch()
        if self.posts % 6 == 3:
            self.lost += 1
            route.abort()
        else:
            route.fulfill(response=answer)

    def turn_to(self, number: int) -> None:
        self.page.locator("a[href='/floor/']").filter(visible=True).last.click()
        self.page.locator(f"[data-part] a[href^='/floor/{number}/']").first.click()
        self.page.locator("[data-floor] h1", has_text=re.compile(f"^{number} ")).wait_for()


@pytest.fixture
def shop() -> Shop:
    return a_shop("quay")


def a_shop(slug: str) -> Shop:
    """A shop with two people and some jobs, the same whatever its name."""
    shop = shop_create(slug=slug, name=slug.title(), time_zone="Europe/Berlin")
    for name in ("Ada", "Ben"):
        user = User.objects.create_user(f"{name.lower()}-{slug}")
        Membership.objects.create(user=user, shop=shop, role=Role.MAKER)
        Person.objects.create(shop=shop, name=name, user=user)
    for name, kind in (("Wide printer", MachineKind.PRINTER), ("Cutter", MachineKind.CUTTER)):
        Machine.objects.create(shop=shop, name=name, kind=kind, unattended=Unattended.ALWAYS)
    for i in range(JOBS):
        job_create(
            shop=shop,
            job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
            title=f"Van {i + 1}",
            process=Process.objects.of(shop).get(name="Latex"),
            finish=Finish.objects.of(shop).get(name="Bare"),
        )
    Job.objects.of(shop).update(status=JobStatus.PROMISED)
    return shop


@pytest.fixture
def devices(page_at, log_in, shop) -> list[Device]:
    found = []
    for number, (name, width, shift) in enumerate(
        (("ada", 390, 0), ("ben", 820, -SLOW.total_seconds() * 1000))
    ):
        page = log_in(page_at(width), User.objects.get(username=f"{name}-quay"))
        page.add_init_script(f"({WATCHED})([{shift}])")
        device = Device(page, number)
        page.route("**/api/v1/taps", device.answer)
        page.goto(reverse("jobs:floor"))
        ready(page)
        found.append(device)
    return found


def ready(page: Page) -> None:
    page.locator("[data-floor][data-ready]").wait_for()
    page.evaluate(
        """async () => {
          await navigator.serviceWorker.ready;
          while (!await caches.match("/floor/shell/")) await new Promise((done) => setTimeout(done, 20));
        }"""
    )


def test_a_day_of_200_taps_from_two_devices(devices, shop):
    began, dice, events = time.monotonic(), random.Random(20), Counter[str]()
    for device in devices:
        device.turn_to(1 + device.number)
    while (done := sum(len(device.pressed) for device in devices)) < TAPS:
        device = devices[dice.random() < 0.5]
        what = dice.random()
        if what < 0.06:
            device.cut(not device.offline)
            events["cut" if device.offline else "back"] += 1
        elif what < 0.10:
            device.page.reload()
            device.page.locator("[data-floor][data-ready]").wait_for()
            events["reload offline" if device.offline else "reload"] += 1
        elif what < 0.18:
            device.turn_to(dice.randrange(JOBS) + 1)
            events["another job"] += 1
        elif not device.press(dice.random()):
            device.turn_to((done + device.number) % JOBS + 1)
    for device in devices:
        device.cut(False)
        all_sent(device.page)
    took = time.monotonic() - began
    assert_stored_once(devices)
    off = assert_in_order_and_on_time(devices)
    intervals = assert_as_in_a_clean_run(shop)
    tell(devices, events, off, intervals, took)


def all_sent(page: Page) -> None:
    until = time.monotonic() + 90
    while page.evaluate(
        'import("/static/jobs/js/store.js").then((store) => store.waitingTaps()).then((taps) => taps.length)'
    ):
        assert time.monotonic() < until, "the taps were not sent"
        page.wait_for_timeout(50)


def assert_stored_once(devices: list[Device]) -> None:
    pressed = Counter(press["tap"]["id"] for device in devices for press in device.pressed)
    assert max(pressed.values()) == 1
    stored = [str(key) for key in ClockEvent.objects.values_list("pk", flat=True)]
    assert sorted(stored) == sorted(pressed)
    for device in devices:
        assert device.page.evaluate(f"{STORE}.then((store) => store.refused())") == []


def assert_in_order_and_on_time(devices: list[Device]) -> list[float]:
    """Gives by how many seconds each moment lies outside of the press; most of them by none."""
    presses = sorted(
        (press for device in devices for press in device.pressed), key=lambda press: press["between"]
    )
    rows = {str(row.pk): row for row in ClockEvent.objects.all()}
    exact = max(device.exact() for device in devices)
    off = []
    for press in presses:
        (first, last), row = press["between"], rows[press["tap"]["id"]]
        off.append(max((first - row.at).total_seconds(), (row.at - last).total_seconds(), 0.0))
        names = ("stage", "to_stage", "person", "machine", "cause", "element")
        assert {name: getattr(row, f"{name}_id") for name in names} == {
            name: press["tap"].get(name) for name in names
        }
        assert (row.kind, str(row.corrects or "")) == (
            press["tap"]["kind"],
            press["tap"].get("corrects") or "",
        )
    assert max(off) < exact
    for device in devices:
        moments = [rows[press["tap"]["id"]].device_at for press in device.pressed]
        assert moments == sorted(moments)
    moments = [rows[press["tap"]["id"]].at for press in presses]
    for i, press in enumerate(presses):
        later = [
            moment
            for other, moment in zip(presses[i:], moments[i:], strict=True)
            if other["between"][0] - press["between"][1] > timedelta(seconds=2 * exact)
        ]
        assert moments[i] < min(later, default=datetime.max.replace(tzinfo=UTC))
    return off


def assert_as_in_a_clean_run(shop: Shop) -> int:
    """The same taps sent in order, a few at a time, to another shop with the same jobs. Gives the number of rows."""
    found = intervals_of(shop)
    copy = a_shop("copy")
    same = {
        model: dict(zip(keys(model, shop), keys(model, copy), strict=True))
        for model in (Stage, Person, Machine, Cause)
    }
    rows = list(ClockEvent.objects.of(shop).order_by("at", "pk"))
    taps = [
        Tap(
            id=other_id(row.pk),
            kind=row.kind,
            stage=same[Stage][row.stage_id],
            at=row.at,
            to_stage=same[Stage].get(row.to_stage_id),
            person=same[Person].get(row.person_id),
            machine=same[Machine].get(row.machine_id),
            cause=same[Cause].get(row.cause_id),
            corrects=row.corrects and other_id(row.corrects),
        )
        for row in rows
    ]
    for some in (taps[i : i + 8] for i in range(0, len(taps), 8)):
        now = some[-1].at
        outcome = record_taps(shop=copy, user=None, taps=some, sent_at=now, received_at=now)
        assert {one.status for one in outcome.results} == {"stored"}
    assert intervals_of(copy) == found
    fold_shop(shop)
    assert intervals_of(shop) == found
    return len(found)


def other_id(key: UUID) -> UUID:
    return UUID(int=key.int ^ 1)


def keys(model: Any, shop: Shop) -> list[int]:
    """The shop's rows, so that those of two shops that were made alike stand in the same places."""
    order = {Stage: ("job__number", "position", "pk"), Cause: ("key",)}.get(model, ("name",))
    return list(model.objects.of(shop).order_by(*order).values_list("pk", flat=True))


def intervals_of(shop: Shop) -> list[tuple[Any, ...]]:
    """Intervals, laps and states by names and places, so that two shops can be compared."""
    place = {key: i for i, key in enumerate(keys(Stage, shop))}
    rows = Interval.objects.of(shop).values_list(
        "stage", "kind", "starts_at", "ends_at", "person__name", "machine__name", "cause__key", "again"
    )
    laps = Lap.objects.of(shop).values_list("stage", "starts_at", "ends_at", "seconds")
    states = Stage.objects.of(shop).values_list("pk", "state", "started_at", "finished_at")
    return sorted(
        ((place[row[0]], *row[1:]) for some in (rows, laps, states) for row in some),
        key=lambda row: repr(row),
    )


def tell(devices: list[Device], events: Counter[str], off: list[float], intervals: int, took: float) -> None:
    presses = [press for device in devices for press in device.pressed]
    changed = sorted(press["changed"] for press in presses if press["changed"] is not None)
    kept = sorted(press["kept"] for press in presses)
    print(
        f"\n{len(presses)} taps from {len(devices)} devices in {took:.0f} s, {intervals} rows as in a clean run."
    )
    print(f"Pressed without a connection: {sum(press['offline'] for press in presses)}. {dict(events)}.")
    print(f"Kinds: {dict(Counter(press['tap']['kind'] for press in presses))}.")
    print(
        f"Answers lost on their way: {sum(device.lost for device in devices)} of {sum(d.posts for d in devices)}."
    )
    print(f"Moments outside of the press: at most {1000 * max(off):.0f} ms; one clock was {SLOW} slow.")
    for what, times in (("what the page shows", changed), ("the disk", kept)):
        late = times[int(0.95 * len(times))]
        print(f"From a press to {what}: median {statistics.median(times):.0f} ms, 95 % within {late:.0f} ms.")
