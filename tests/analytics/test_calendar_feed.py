"""The calendars as RFC 5545 asks for them, read back by the library and by a small parser of the tests' own."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar, vDuration

from analytics.calendars import Event, calendar_text
from analytics.selectors.calendars import machine_events, person_events, shop_events
from jobs.models import Job, JobStatus, Stage, VisitWindow
from shop.models import Closure, Machine, OpeningHours, Person, Skill
from tests.analytics.quay import enquiry, make_quay

NOW = datetime(2026, 3, 26, 10, tzinfo=UTC)  # a Thursday; clocks in Europe change on the Sunday after it


def lines_of(stream: bytes) -> list[str]:
    """Unfolded content lines (RFC 5545, 3.1): bytes first, so that a character cut in two would not decode."""
    assert stream.endswith(b"\r\n")
    assert b"\n" not in stream.replace(b"\r\n", b"")
    assert b"\r" not in stream.replace(b"\r\n", b"")
    folded = stream[:-2].split(b"\r\n")
    assert max(len(line) for line in folded) <= 75  # octets, without the line end
    for line in folded:
        line.decode("utf-8")  # every line stands by itself: no fold lies inside a character
    lines: list[bytes] = []
    for line in folded:
        if line.startswith(b" "):
            lines[-1] += line[1:]
        else:
            lines.append(line)
    return [line.decode("utf-8") for line in lines]


def text_of(escaped: str) -> str:
    """A TEXT value (RFC 5545, 3.3.11), read from the left so that an escaped backslash is never read twice."""
    said, rest = [], iter(escaped)
    for letter in rest:
        if letter == "\\":
            letter = next(rest)
            said.append({"n": "\n", "N": "\n"}.get(letter, letter))
        else:
            assert letter not in ";,", f"{letter} stands unescaped in {escaped}"
            said.append(letter)
    return "".join(said)


def events_of(stream: bytes) -> list[dict[str, str]]:
    """Name (with parameters) to value, of each event."""
    events: list[dict[str, str]] = []
    for line in lines_of(stream):
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            events.append({})
        elif events and name != "END":
            events[-1][name] = value
    return events


def one(summary: str) -> bytes:
    return calendar_text("Quay", [Event("a@b", summary, NOW)], NOW)


TEXTS = st.text(st.characters(exclude_categories=("Cs", "Cc")) | st.sampled_from("\n\\;,ä€😀"), max_size=200)


@settings(max_examples=60, deadline=None)
@given(TEXTS)
def test_any_title_comes_back_as_it_was(summary):
    stream = one(summary)
    (event,) = events_of(stream)
    assert text_of(event["SUMMARY"]) == summary
    assert str(Calendar.from_ical(stream).walk("VEVENT")[0]["SUMMARY"]) == summary


def test_a_backslash_is_escaped_before_what_it_would_escape():
    (event,) = events_of(one("a\\n b\\, c; d\ne"))
    assert event["SUMMARY"] == "a\\\\n b\\\\\\, c\\; d\\ne"


def test_a_title_cannot_end_its_own_event():
    stream = one("x\r\nEND:VEVENT\rBEGIN:VEVENT\x00\x0b")
    (event,) = events_of(stream)
    assert text_of(event["SUMMARY"]) == "x\nEND:VEVENT\nBEGIN:VEVENT  "


def test_long_lines_of_wide_characters_are_folded_between_them():
    for wide in ("ä", "€", "😀"):
        for before in range(4):
            (event,) = events_of(one("x" * before + wide * 60))
            assert event["SUMMARY"] == "x" * before + wide * 60


def test_the_last_day_is_within_a_closure():
    stream = calendar_text("Quay", [Event("a@b", "Closed", date(2026, 3, 28), date(2026, 3, 29))], NOW)
    (event,) = events_of(stream)
    assert event["DTSTART;VALUE=DATE"] == "20260328"
    assert event["DTEND;VALUE=DATE"] == "20260330"  # exclusive: RFC 5545, 3.6.1


def test_instants_are_utc_on_both_sides_of_a_change_of_the_clock():
    berlin = ZoneInfo("Europe/Berlin")
    starts, ends = (datetime(2026, 3, day, 9, tzinfo=berlin) for day in (28, 29))
    (event,) = events_of(calendar_text("Quay", [Event("a@b", "x", starts, ends)], NOW))
    assert (event["DTSTART"], event["DTEND"]) == ("20260328T080000Z", "20260329T070000Z")


def test_what_would_end_before_it_begins_has_no_end():
    (event,) = events_of(calendar_text("Quay", [Event("a@b", "x", NOW, NOW)], NOW))
    assert "DTEND" not in event  # RFC 5545, 3.8.2.2: later than DTSTART


def test_the_stream_says_when_to_look_again_and_what_it_is():
    lines = lines_of(one("x"))
    assert (lines[0], lines[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    assert "VERSION:2.0" in lines
    assert {
        "PRODID:-//Lapwright//Calendar//EN",
        "REFRESH-INTERVAL;VALUE=DURATION:PT1H",
        "X-PUBLISHED-TTL:PT1H",
    } <= set(lines)
    assert "METHOD" not in " ".join(lines)  # it is published, nobody is invited


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("P15DT5H0M20S", timedelta(days=15, hours=5, seconds=20)),
        ("P7W", timedelta(weeks=7)),
        ("PT1H", timedelta(hours=1)),
    ],
)
def test_durations_are_written_and_read_as_published(written, meant):
    """The two examples of RFC 5545, 3.3.6, and our own."""
    assert vDuration.from_ical(written) == meant
    assert vDuration.from_ical(vDuration(meant).to_ical().decode()) == meant


@pytest.mark.parametrize("written", ["P1Y", "P2M", "P1Y2M", "P1Y2M3DT4H"])
def test_a_duration_has_no_years_and_no_months(written):
    """RFC 5545, 3.3.6: unlike ISO 8601."""
    with pytest.raises(ValueError, match="duration"):
        vDuration.from_ical(written)


@pytest.fixture
def job(db) -> Job:
    shop = make_quay()
    made = enquiry(shop, customer_name="Harbour Café")
    Job.objects.filter(pk=made.pk).update(
        status=JobStatus.PROMISED, due_at=datetime(2026, 3, 31, 16, tzinfo=UTC)
    )
    made.refresh_from_db()
    return made


def by_kind(events: list[Event]) -> dict[str, list[Event]]:
    found: dict[str, list[Event]] = {}
    for event in events:
        found.setdefault(event.uid.split("-")[1], []).append(event)
    return found


def test_the_shops_calendar_has_its_dates_visits_set_times_and_closed_days(job):
    shop = job.shop
    VisitWindow.objects.create(shop=shop, job=job, starts_at=NOW, ends_at=NOW + timedelta(hours=2))
    closure = Closure.objects.create(
        shop=shop, starts_on=date(2026, 4, 3), ends_on=date(2026, 4, 6), reason="Easter"
    )
    Closure.objects.create(shop=shop, starts_on=date(2025, 4, 3), ends_on=date(2025, 4, 6))  # long over
    stage = job.stages.exclude(kind__category="hold").order_by("position")[0]
    Stage.objects.filter(pk=stage.pk).update(pinned_at=NOW + timedelta(hours=3))
    found = by_kind(shop_events(shop, NOW))
    assert set(found) == {"promise", "visit", "stage", "closure"}
    (promise,) = found["promise"]
    assert (promise.starts, promise.ends, promise.busy) == (job.due_at, None, False)
    assert promise.summary == f"Promised: job {job.number}, Crate labels"
    assert promise.description == "For Harbour Café."
    assert [e.uid for e in found["closure"]] == [f"quay-closure-{closure.pk}@lapwright"]
    assert found["stage"][0].starts == NOW + timedelta(hours=3)
    assert not any(e.likely for e in shop_events(shop, NOW))


def test_a_machines_calendar_marks_what_is_likely_and_keeps_what_is_set(job):
    printer = Machine.objects.of(job.shop).get(kind="printer")
    before = machine_events(job.shop, printer, NOW)
    said = [f"Likely: {name}, job {job.number}, Crate labels" for name in ("Load and set up", "Print")]
    assert [(e.likely, e.summary) for e in before] == [(True, words) for words in said]
    first = job.stages.get(name="Load and set up")
    Stage.objects.filter(pk=first.pk).update(pinned_at=NOW + timedelta(hours=4))
    event = machine_events(job.shop, printer, NOW)[0]
    assert (event.likely, event.starts, event.uid) == (False, NOW + timedelta(hours=4), before[0].uid)
    (line,) = events_of(calendar_text("x", [event], NOW))
    assert line["STATUS"] == "CONFIRMED"
    assert events_of(calendar_text("x", before, NOW))[0]["STATUS"] == "TENTATIVE"


def test_likely_times_lie_in_open_hours_also_in_the_week_in_which_the_clocks_change(job):
    shop = job.shop
    shop.time_zone = "Europe/Berlin"
    shop.save()
    friday = datetime(2026, 3, 27, 15, 59, tzinfo=UTC)  # 16:59 there: nothing more fits today
    person = Person.objects.of(shop).get()
    begins = sorted(e.starts for e in person_events(shop, person, friday) if e.likely)
    assert begins
    assert {shop.local(at).date() for at in begins[1:]} >= {date(2026, 3, 30)}
    for at in begins[1:]:
        assert isinstance(at, datetime)
        assert time(9) <= shop.local(at).time() <= time(17), at


def test_a_person_sees_days_off_and_only_the_jobs_that_need_what_they_can_do(job):
    shop = job.shop
    stranger = Person.objects.create(shop=shop, name="Odd")
    away = Closure.objects.create(
        shop=shop, person=stranger, starts_on=date(2026, 3, 30), ends_on=date(2026, 3, 31)
    )
    stranger.skills.set([Skill.objects.create(shop=shop, name="Juggling")])
    found = by_kind(person_events(shop, stranger, NOW))
    assert found["absence"][0].uid == f"quay-absence-{away.pk}@lapwright"
    free = job.stages.filter(left_out=False, kind__skill=None).exclude(kind__category="hold").exists()
    assert ("promise" in found) == free
    ines = by_kind(person_events(shop, Person.objects.get(name="Ines"), NOW))
    assert "absence" not in ines
    assert "promise" in ines


def test_a_shop_that_cannot_plan_still_has_a_calendar(job):
    OpeningHours.objects.of(job.shop).delete()
    person = Person.objects.of(job.shop).get()
    assert set(by_kind(person_events(job.shop, person, NOW))) == {"promise"}


def test_another_shops_work_is_in_no_calendar(job):
    hill = make_quay("hill")
    assert shop_events(hill, NOW) == []
    assert person_events(hill, Person.objects.of(hill).get(), NOW) == []
