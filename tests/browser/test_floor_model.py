"""The device's own fold against the server's: the same presses, the same stopwatches."""

import random
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from playwright.sync_api import Page

from jobs.clock import Event
from jobs.routes import Link
from tests.browser.floor_worlds import (
    PEOPLE,
    START,
    World,
    WorldStage,
    a_world,
    iso,
    pack_of,
    some_events,
    tap_of,
)

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SAME = ("state", "people", "on", "cause", "paused_since", "finished_at", "lies_until", "ready", "waits_for")

FOLD = """async (cases) => {
  const { apply, secondsNow } = await import("/static/jobs/js/model.js");
  return cases.map(({ pack, taps, now, earlier }) => {
    const at = Date.parse(now);
    const before = new Map((earlier ?? []).map(([id, one]) => [id, { pack: one, has: new Set() }]));
    const found = apply(pack, taps, at, before);
    return found.jobs.flatMap((job) => job.stages).map((stage) => ({ ...stage, clocked: secondsNow(stage, at) }));
  });
}"""


@pytest.fixture
def blank(page_at, live_server) -> Page:
    page = page_at(390)
    page.goto("/login/")
    return page


def case_of(world: World, events: list[Event], split: int, now: datetime) -> dict[str, Any]:
    """A device that has a pack of the first presses, and the others waiting."""
    taps = [tap_of(event) for event in events[split:]]
    return {"pack": pack_of(world, events[:split], now), "taps": taps, "now": iso(now)}


def wanted(world: World, events: list[Event], now: datetime) -> list[dict[str, Any]]:
    return [stage for job in pack_of(world, events, now)["jobs"] for stage in job["stages"]]


def clocked(stage: dict[str, Any], now: datetime) -> float:
    """Seconds on the stage now."""
    since = datetime.fromisoformat(stage["since"]) if stage["since"] else now
    return stage["seconds"] + (now - since).total_seconds()


def compare(found: list[dict[str, Any]], world: World, events: list[Event], now: datetime, name: str) -> None:
    told = "\n".join(
        f"{e.at:%H:%M:%S} {e.kind} {e.stage} to {e.to_stage} by {e.person} on {e.machine}" for e in events
    )
    by_key = {stage["id"]: stage for stage in found}
    for stage in wanted(world, events, now):
        mine = by_key[stage["id"]]
        for field in SAME:
            ours, theirs = mine[field], stage[field]
            if isinstance(theirs, list):
                ours, theirs = sorted(set(ours)), sorted(set(theirs))
            assert ours == theirs, f"{name}, stage {stage['id']}, {field}\n{told}"
        assert mine["clocked"] == pytest.approx(clocked(stage, now), abs=0.002), (
            f"{name}, {stage['id']}\n{told}"
        )


def test_the_device_folds_as_the_server_does(blank):
    cases, expected = [], []
    for seed in range(300):
        rng = random.Random(seed)
        world = a_world(rng)
        events = some_events(rng, world, rng.randint(3, 25), (*PEOPLE, None))
        now = events[-1].at + timedelta(seconds=rng.choice((1, 600, 9000)))
        cases.append(case_of(world, events, 0, now))
        expected.append((world, events, now, f"seed {seed}"))
    for found, (world, events, now, name) in zip(blank.evaluate(FOLD, cases), expected, strict=True):
        compare(found, world, events, now, name)
        by_key = {stage["id"]: stage for stage in found}
        for stage in wanted(world, events, now):
            mine = by_key[stage["id"]]
            assert (mine["since"], mine["laps"]) == (stage["since"], stage["laps"]), name
            assert mine["last_lap"] == stage["last_lap"], name


def test_the_device_goes_on_from_any_pack(blank):
    cases, expected = [], []
    for seed in range(1000, 1300):
        rng = random.Random(seed)
        world = a_world(rng)
        events = some_events(rng, world, rng.randint(4, 20), PEOPLE)
        split = rng.randrange(1, len(events))
        # What a waiting tap takes back waits too: a stored one is another matter.
        waiting = {event.id for event in events[split:]}
        events = [e for i, e in enumerate(events) if i < split or e.corrects is None or e.corrects in waiting]
        now = events[-1].at + timedelta(seconds=rng.choice((1, 600, 9000)))
        cases.append(case_of(world, events, split, now))
        expected.append((world, events, now, f"seed {seed} at {split}"))
    for found, (world, events, now, name) in zip(blank.evaluate(FOLD, cases), expected, strict=True):
        compare(found, world, events, now, name)


def test_a_press_that_the_server_has_is_taken_back_from_what_was_shown_before_it(blank):
    cases, expected = [], []
    for seed in range(2000, 2100):
        rng = random.Random(seed)
        world = a_world(rng)
        events = [e for e in some_events(rng, world, 8, PEOPLE) if e.kind != "void"]
        *before, last = events
        now = last.at + timedelta(seconds=2)
        back = Event(UUID(int=seed, version=4), "void", last.stage, now, corrects=last.id)
        case = case_of(world, [*events, back], len(events), now)
        cases.append({**case, "earlier": [[str(last.id), pack_of(world, before, now)]]})
        expected.append((world, [*events, back], now, f"seed {seed}"))
    for found, (world, events, now, name) in zip(blank.evaluate(FOLD, cases), expected, strict=True):
        compare(found, world, events, now, name)


def test_a_clock_that_is_wrong_is_put_right_before_the_taps_are_put_in_order(blank):
    world = a_world(random.Random(3))
    stage = next(stage.pk for stage in world.stages if not stage.hold)
    begin = Event(UUID(int=1, version=4), "start", stage, START, person=1)
    end = Event(UUID(int=2, version=4), "finish", stage, START + timedelta(minutes=5), person=1)
    now = START + timedelta(hours=1)
    slow = {**tap_of(end), "at": iso(end.at - timedelta(hours=2)), "offset_ms": 7_200_000}
    close = {**tap_of(begin), "offset_ms": 4000}  # within what a clock may be off
    case = {**case_of(world, [], 0, now), "taps": [slow, close]}
    found = blank.evaluate(FOLD, [case])[0]
    assert found
    compare(found, world, [begin, end], now, "put right")


def received(events: list[Event], now: datetime) -> list[Event]:
    """The events as the server stores them at `now`: none later, those ahead a microsecond apart in their order."""
    ahead = sorted({event.at for event in events if event.at > now}, reverse=True)
    back = {at: now - timedelta(microseconds=i) for i, at in enumerate(ahead)}
    return [replace(event, at=back.get(event.at, event.at)) for event in events]


def test_a_press_by_a_clock_that_is_ahead_has_happened_all_the_same(blank):
    cases, expected = [], []
    for seed in range(3000, 3300):
        rng = random.Random(seed)
        world = a_world(rng)
        events = some_events(rng, world, rng.randint(4, 15), PEOPLE)
        # The last one to three are ahead of it.
        now = events[-rng.randint(2, 4)].at + timedelta(milliseconds=500)
        cases.append(case_of(world, events, 0, now))
        expected.append((world, received(events, now), now, f"seed {seed}"))
    for found, (world, events, now, name) in zip(blank.evaluate(FOLD, cases), expected, strict=True):
        compare(found, world, events, now, name)


def test_a_shop_s_whole_floor_is_folded_within_a_frame_or_two(blank):
    """400 jobs of twelve stages with 60 taps waiting: what a press has to do before it is drawn."""
    rng = random.Random(1)
    links = [Link(n, n + 1) for n in range(100, 4900) if n % 12 != 3]
    stages = [
        WorldStage(n, n // 12, hold=n % 12 == 7, minutes=60, start_only=n % 3 == 0) for n in range(100, 4900)
    ]
    world = World(stages, links)
    events = some_events(rng, world, 60, PEOPLE)
    case = case_of(world, events, 0, events[-1].at)
    took = blank.evaluate(
        """async ({ pack, taps, now }) => {
          const { apply } = await import("/static/jobs/js/model.js");
          const took = [];
          for (let i = 0; i < 20; i += 1) {
            const from = performance.now();
            apply(pack, taps, Date.parse(now));
            took.push(performance.now() - from);
          }
          return took.sort((a, b) => a - b)[10];
        }""",
        case,
    )
    print(f"\n400 jobs, 4,800 stages, 60 taps: {took:.1f} ms")
    assert took < 50
