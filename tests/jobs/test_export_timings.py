"""Stage times go out and come in again as the same jobs, stages, minutes and drivers, in each kind of file."""

from __future__ import annotations

import csv
import io
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from uuid import UUID
from xml.etree.ElementTree import Element

import openpyxl
import pytest
from defusedxml.ElementTree import fromstring
from django.core.management import CommandError, call_command
from hypothesis import given
from hypothesis import strategies as st

from jobs.clock import Event, Facts, fold
from jobs.drivers import ItemSize
from jobs.exporting.files import export_chunks
from jobs.exporting.selecting import Period
from jobs.exporting.sittings import Span, StageTimes, sittings_of
from jobs.exporting.tables import csv_chunks
from jobs.exporting.xes import stage_events, xes_chunks
from jobs.models import Cause, ClockEvent, Driver, Interval, Job, JobType, Stage
from jobs.services.jobs import job_create
from jobs.services.taps import Tap, record_taps
from shop.models import Machine, Membership, Person, Role, Shop, User
from shop.services import shop_create

DAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
XES = "{http://www.xes-standard.org/}"

LOG = """job,job_type,stage,started_at,finished_at,hands_on_min,person,machine,pieces,Film colour
=1+1,Banner,Print,2026-03-02T09:00Z,2026-03-02T10:00Z,20,Ann,Wide printer,4,"red, matt"
=1+1,Banner,Print,2026-03-02T09:30Z,2026-03-02T09:40Z,,Ben,,4,
=1+1,Banner,Hemming,2026-03-02T10:10Z,2026-03-02T10:40Z,12.5,Ben,,4,
=1+1,Banner,Hemming,2026-03-02T11:00Z,2026-03-02T11:15Z,,Ben,,3,
B7 & <co>,Banner,Outgas,2026-03-02T12:00Z,2026-03-03T09:00Z,0,,,,
B7 & <co>,Banner,Press set-up,2026-03-03T09:00Z,2026-03-03T09:12Z,,Ann,,,
B7 & <co>,Banner,print,2026-03-03T09:30Z,2026-03-03T10:00Z,0,,Wide printer,2.25,
"""


def minutes_after(n: float) -> datetime:
    return DAY + timedelta(minutes=n)


def clocked(shop: Shop) -> Job:
    """A job on the stopwatch: a machine that runs on alone, a pause with a cause, two people at once."""
    ada, ben = (Person.objects.create(shop=shop, name=name) for name in ("Ada", "Cleo"))
    printer = Machine.objects.create(shop=shop, name="Printer", kind="printer", unattended=True)
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Labels and decals"),
        title="Jar labels",
        items=[ItemSize(90, 50, 100)],
        drivers={"height_m": 2.5},
    )
    printing, cut = (job.stages.get(kind__key=key) for key in ("print", "cut"))
    Stage.objects.filter(pk=cut.pk).update(drivers={"planned_min": 30.0})
    jam = Cause.objects.of(shop).get(key="jam").pk
    presses = [
        ("start", printing, 0, ada, printer.pk, None),
        ("start", cut, 10, ada, None, None),  # the printer runs on alone
        ("start", cut, 15, ben, None, None),
        ("pause", cut, 21, ada, None, jam),
        ("resume", cut, 33, ada, None, None),
        ("finish", cut, 50, ada, None, None),
        ("finish", printing, 61, ada, None, None),
    ]
    taps = [
        Tap(UUID(int=n), kind, stage.pk, minutes_after(at), person=who.pk, machine=machine, cause=cause)
        for n, (kind, stage, at, who, machine, cause) in enumerate(presses, start=1)
    ]
    record_taps(shop=shop, user=None, taps=taps, sent_at=minutes_after(90), received_at=minutes_after(90))
    return job


def said(shop: Shop) -> dict[str, object]:
    """What a shop's finished stages amount to, in words that another shop has too."""
    rows = Interval.objects.of(shop).filter(stage__state="finished", ends_at__isnull=False)
    spans = Counter(
        (
            row.stage.job.reference or str(row.stage.job.number),
            row.stage.kind.name,
            row.kind,
            row.starts_at,
            round((row.ends_at - row.starts_at).total_seconds() / 60, 4),
            row.person.name if row.person and row.kind == "hands_on" else "",
            row.machine.name if row.machine else "",
        )
        for row in rows.select_related("stage__job", "stage__kind", "person", "machine")
        if row.ends_at
    )
    stages = Stage.objects.of(shop).filter(state="finished").select_related("job__job_type", "kind")
    return {
        "spans": spans,
        "stages": sorted(
            (s.job.reference or str(s.job.number), s.job.job_type.name, s.kind.name, s.finished_at)
            for s in stages
        ),
        "samples": sorted(
            (
                s.kind.name,
                s.sample.hands_on_min,
                s.sample.unattended_min,
                sorted((key, round(value, 9)) for key, value in s.sample.drivers.items()),
                sorted(s.sample.categories.items()),
            )
            for s in stages.filter(sample__isnull=False)
        ),
    }


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("ending", ["csv", "xlsx", "xes"])
def test_what_goes_out_comes_in_again_as_the_same(tmp_path: Path, ending: str) -> None:
    here = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London")
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    call_command("import_timings", str(tmp_path / "log.csv"), "--define-drivers")
    clocked(here)
    before = said(here)
    file = tmp_path / f"out.{ending}"
    call_command("export_timings", str(file), "--shop", "quay")
    there = shop_create(slug="hill", name="Hill Signs")
    call_command("import_timings", str(file), "--shop", "hill", "--define-drivers")
    after = said(there)
    assert after["stages"] == before["stages"]
    assert after["spans"] == before["spans"]
    assert after["samples"] == before["samples"]
    assert sum(before["spans"].values()) > 12  # type: ignore[attr-defined]
    own = Driver.objects.of(there).get(key="planned_min")
    assert (own.name, own.unit) == ("Own estimate", "min")
    call_command("import_timings", str(file), "--shop", "hill")
    assert said(there) == after


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("ending", ["csv", "xlsx", "xes"])
def test_a_shops_own_log_that_comes_back_changes_nothing(tmp_path: Path, ending: str) -> None:
    """Whatever way the first log had of writing the minutes: all of them, none, or with many places."""
    rows = (
        ("10:00", ""),
        ("11:00", "60"),
        ("12:00", "12.345678901234567"),
        ("13:00", "0.016666666666666666"),
    )
    lines = [
        f"J{n},Banner,Print,2026-03-02T{int(end[:2]) - 1:02}:00Z,2026-03-02T{end}Z,{minutes},Ann,,4,red"
        for n, (end, minutes) in enumerate(rows)
    ]
    shop = shop_create(slug="quay", name="Quay Signs")
    (tmp_path / "log.csv").write_text("\n".join([LOG.split("\n")[0], *lines]), encoding="utf-8")
    call_command("import_timings", str(tmp_path / "log.csv"), "--define-drivers")
    before = said(shop), set(ClockEvent.objects.values_list("pk", flat=True))
    file = tmp_path / f"out.{ending}"
    call_command("export_timings", str(file))
    call_command("import_timings", str(file))
    assert (said(shop), set(ClockEvent.objects.values_list("pk", flat=True))) == before


@pytest.mark.django_db
def test_only_finished_stages_of_the_chosen_days_go_out(tmp_path: Path) -> None:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Pacific/Auckland")
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    call_command("import_timings", str(tmp_path / "log.csv"), "--define-drivers")
    # At eleven in the morning of 2 March, UTC, it is past midnight in Auckland.
    for first, last, stages in (
        (None, date(2026, 3, 2), {("'=1+1", "Print")}),
        (date(2026, 3, 3), date(2026, 3, 3), {"Hemming", "Outgas", "Press set-up", "Print"}),
        (date(2026, 3, 4), None, set()),
    ):
        out = b"".join(export_chunks(shop, "csv", Period(first, last))).decode()
        rows = list(csv.DictReader(io.StringIO(out)))
        assert {(row["job"], row["stage"]) if first is None else row["stage"] for row in rows} == stages


@pytest.mark.django_db
def test_a_bad_ending_or_day_is_said_and_leaves_no_file(tmp_path: Path) -> None:
    shop_create(slug="quay", name="Quay Signs")
    with pytest.raises(CommandError, match=r"ends in \.csv, \.xlsx, \.xes"):
        call_command("export_timings", str(tmp_path / "out.pdf"))
    with pytest.raises(CommandError, match="invalid fromisoformat value: 'soon'"):
        call_command("export_timings", str(tmp_path / "out.csv"), "--from", "soon")
    with pytest.raises(CommandError, match="cannot be written"):
        call_command("export_timings", str(tmp_path / "nowhere" / "out.csv"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.django_db
def test_no_cell_is_a_formula_and_the_csv_is_rfc_4180(tmp_path: Path) -> None:
    """RFC 4180, section 2: lines end in CRLF, quotes are doubled, each line has as many fields as the header."""
    shop = shop_create(slug="quay", name="Quay Signs")
    text = LOG.replace("Ann", '"=HYPERLINK(""x"")"').replace("Ben", "@ben").replace("Hemming", '"a ""b"""')
    (tmp_path / "log.csv").write_text(text, encoding="utf-8")
    call_command("import_timings", str(tmp_path / "log.csv"), "--define-drivers")
    out = b"".join(export_chunks(shop, "csv")).decode()
    assert out.count("\r\n") == out.count("\n") == 8
    rows = list(csv.reader(io.StringIO(out, newline=""), strict=True))
    assert {len(row) for row in rows} == {len(rows[0])}
    assert not [cell for row in rows for cell in row if cell.startswith(("=", "+", "-", "@"))]
    assert {row[6] for row in rows[1:]} == {'\'=HYPERLINK("x")', "'@ben", ""}
    assert '"a ""b"""' in out
    book = openpyxl.load_workbook(io.BytesIO(b"".join(export_chunks(shop, "xlsx"))))
    cells = [cell for row in book.worksheets[0].iter_rows() for cell in row]
    assert "=1+1" in {cell.value for cell in cells}
    assert "f" not in {cell.data_type for cell in cells}


VALUE = {
    "string": str,
    "date": datetime.fromisoformat,
    "float": float,
    "boolean": {"true": True, "false": False}.get,
}
FOLLOWS = {
    "": {"start"},
    "start": {"suspend", "complete"},
    "resume": {"suspend", "complete"},
    "suspend": {"resume"},
}


def checked_xes(content: bytes) -> Element:
    """A log that keeps the rules of IEEE Std 1849-2016: see the messages."""
    log = fromstring(content)
    assert log.tag == f"{XES}log"
    assert {"xes.version", "xes.features"} <= log.attrib.keys()  # 4.2: both are required of a log
    order = ["extension", "global", "classifier", *VALUE, "trace"]
    places = [order.index(child.tag.removeprefix(XES)) for child in log]
    assert [min(p, 4) if p < 7 else p for p in places] == sorted(min(p, 4) if p < 7 else p for p in places)
    prefixes = {child.attrib["prefix"] for child in log.iter(f"{XES}extension")}
    keys = {child.attrib["key"] for child in log.iter() if "key" in child.attrib}
    assert {key.split(":")[0] for key in keys if ":" in key} <= prefixes  # a prefix is declared
    for child in log.iter():
        kind = child.tag.removeprefix(XES)
        if "key" in child.attrib:
            assert VALUE[kind](child.attrib["value"]) is not None  # the text is one of the attribute's type
    for scope in ("trace", "event"):  # a global attribute is in every element of its scope
        wanted = {c.attrib["key"] for c in log.find(f"{XES}global[@scope='{scope}']")}
        for element in log.iter(f"{XES}{scope}"):
            mine = [child.attrib["key"] for child in element if "key" in child.attrib]
            assert wanted <= set(mine)
            assert len(mine) == len(set(mine))  # keys are unique within their element
    for classifier in log.iter(f"{XES}classifier"):
        assert set(classifier.attrib["keys"].split()) <= keys
    return log


def attributes(element: Element) -> dict[str, str]:
    return {child.attrib["key"]: child.attrib["value"] for child in element if "key" in child.attrib}


@pytest.mark.django_db(transaction=True)
def test_the_log_is_valid_xes_and_keeps_the_standard_life_cycle(tmp_path: Path) -> None:
    """IEEE Std 1849, lifecycle extension: resume only what is suspended; suspend, complete only what is in progress."""
    shop = shop_create(slug="quay", name="Quay & Sons <signs>")
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    call_command("import_timings", str(tmp_path / "log.csv"), "--define-drivers")
    clocked(shop)
    log = checked_xes(b"".join(export_chunks(shop, "xes")))
    assert attributes(log)["concept:name"] == "Quay & Sons <signs>"
    traces = log.findall(f"{XES}trace")
    assert [attributes(trace)["concept:name"] for trace in traces] == ["=1+1", "B7 & <co>", "3"]
    transitions: Counter[str] = Counter()
    for trace in traces:
        before: dict[tuple[str, str], str] = {}
        at = datetime.min.replace(tzinfo=UTC)
        for event in trace.findall(f"{XES}event"):
            said = attributes(event)
            key = (said["concept:name"], said["concept:instance"])
            assert said["lifecycle:transition"] in FOLLOWS[before.get(key, "")]
            before[key] = said["lifecycle:transition"]
            transitions[before[key]] += 1
            assert at <= (at := datetime.fromisoformat(said["time:timestamp"]))
        assert set(before.values()) == {"complete"}
    assert transitions["suspend"] == transitions["resume"] > 1
    assert transitions["start"] == transitions["complete"]


def a_span(draw_at: int, length: int, kind: str, who: str) -> Span:
    machine = kind == "machine"
    return Span(
        kind,
        minutes_after(draw_at),
        minutes_after(draw_at + length),
        "" if machine or kind == "interruption" else who,
        "Press" if machine else "",
        plain=kind == "interruption" and who == "Ada",
    )


SPANS = st.lists(
    st.builds(
        a_span,
        st.integers(0, 40),
        st.integers(1, 30),
        st.sampled_from(["hands_on", "machine", "interruption"]),
        st.sampled_from(["Ada", "Ben"]),
    ),
    min_size=1,
    max_size=8,
)


@given(SPANS)
def test_sittings_fold_to_the_intervals_that_they_were_made_from(spans: list[Span]) -> None:
    people = {"Ada": 1, "Ben": 2, "": None}
    events = [
        Event(
            UUID(int=n),
            "sitting",
            1,
            s.started_at,
            people[s.person],
            1 if s.machine else None,
            until=s.finished_at,
            hands_on_min=s.hands_on_min,
        )
        for n, s in enumerate(sittings_of(spans))
    ]
    folded = fold(events, Facts())
    assert Counter((s.kind, s.starts, s.ends, s.person) for s in folded.spans) == Counter(
        (s.kind, s.starts, s.ends, people[s.person]) for s in spans
    )


@given(SPANS)
def test_events_of_any_sittings_keep_the_life_cycle(spans: list[Span]) -> None:
    before: dict[str, tuple[str, datetime]] = {}
    events = sorted(stage_events(StageTimes("Print", sittings_of(spans))), key=lambda event: event.at)
    for event in events:
        instance, transition = (
            str(event.attributes[f"{k}"]) for k in ("concept:instance", "lifecycle:transition")
        )
        was, at = before.get(instance, ("", event.at))
        assert transition in FOLLOWS[was]
        assert event.at >= at
        before[instance] = (transition, event.at)
    assert {was for was, _ in before.values()} == {"complete"}


def test_a_long_log_is_written_a_job_at_a_time() -> None:
    """Neither CSV nor XES asks for the next job before it has handed on the one before."""
    from jobs.exporting.sittings import JobTimes, Sitting

    asked: list[int] = []

    def jobs():
        for n in range(100_000):
            asked.append(n)
            yield JobTimes(str(n), "Van", [StageTimes("Print", [Sitting(DAY, minutes_after(9))])])

    for chunks in (csv_chunks(jobs(), []), xes_chunks(jobs(), "Quay")):
        asked.clear()
        for _ in range(4):
            next(chunks)
        assert len(asked) == 3


@pytest.mark.django_db(transaction=True)
def test_the_page_gives_the_files_to_planners_only(client, tmp_path: Path) -> None:
    shop = shop_create(slug="quay", name="Quay Signs")
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    call_command("import_timings", str(tmp_path / "log.csv"), "--define-drivers")
    for role, status in ((Role.PLANNER, 200), (Role.MAKER, 403)):
        user = User.objects.create_user(role.value)
        Membership.objects.create(user=user, shop=shop, role=role)
        client.force_login(user, "django.contrib.auth.backends.ModelBackend")
        assert client.get("/export/").status_code == status
        assert client.get("/export/timings.xes").status_code == status
    client.force_login(User.objects.get(username="planner"), "django.contrib.auth.backends.ModelBackend")
    answer = client.get("/export/timings.csv?from=2026-03-03")
    assert answer["Content-Disposition"] == 'attachment; filename="timings-quay.csv"'
    body = b"".join(answer.streaming_content).decode()
    assert body.startswith("job,job_type,stage,started_at,finished_at,hands_on_min,person,machine,pieces\r\n")
    assert body.count("\r\n") == 4
    Shop.objects.filter(pk=shop.pk).update(time_zone="Asia/Tokyo")  # where the year 1 begins before UTC's
    whole = client.get("/export/timings.csv?from=0001-01-01&to=9999-12-31")
    assert b"".join(whole.streaming_content).count(b"\r\n") == 8
    assert client.get("/export/timings.csv?from=soon").status_code == 422
    assert client.get("/export/timings.pdf").status_code == 404
