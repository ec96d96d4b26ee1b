"""An imported log becomes jobs, stages and clock events: all of it or nothing, and only once."""

from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from jobs.models import (
    Category,
    ClockEvent,
    Driver,
    Interval,
    Job,
    JobStatus,
    JobType,
    RouteStage,
    Stage,
    StageEdge,
    StageKind,
    StageState,
    TapKind,
)
from shop.models import Machine, OpeningHours, Person, Shop
from shop.services import shop_create

pytestmark = pytest.mark.django_db(transaction=True)

HEADER = "job,job_type,stage,started_at,finished_at,hands_on_min,person,machine,pieces"
LOG = f"""{HEADER}
A1,Banner,Print,2026-03-02T09:00Z,2026-03-02T10:00Z,20,Ann,Wide printer,4
A1,Banner,Hemming,2026-03-02T10:10Z,2026-03-02T10:40Z,,Ben,,4
A1,Banner,Hemming,2026-03-02T11:00Z,2026-03-02T11:15Z,,Ben,,3
B7,Banner,Press set-up,2026-03-03T09:00Z,2026-03-03T09:12Z,,Ann,,
B7,Banner,print,2026-03-03T09:30Z,2026-03-03T10:00Z,,Ann,Wide printer,2
"""


def run(path: Path, *options: str) -> str:
    out = StringIO()
    call_command("import_timings", str(path), *options, stdout=out)
    return out.getvalue()


def written(tmp_path: Path, text: str = LOG) -> Path:
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    return path


def counts() -> dict[str, int]:
    models: list[Any] = [
        Shop,
        Job,
        Stage,
        StageEdge,
        StageKind,
        JobType,
        Person,
        Machine,
        ClockEvent,
        Interval,
        Driver,
    ]
    return {model.__name__: model.objects.count() for model in models}


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London")


def test_rows_become_sittings_of_finished_stages(tmp_path: Path, shop: Shop) -> None:
    out = run(written(tmp_path))
    assert "Imported 5 rows into 'Quay Signs': 2 new jobs, 4 new stages." in out
    first, second = Job.objects.order_by("number")
    assert [(job.number, job.reference, job.status) for job in (first, second)] == [
        (1, "A1", JobStatus.FINISHED),
        (2, "B7", JobStatus.FINISHED),
    ]
    assert first.finished_at == datetime(2026, 3, 2, 11, 15, tzinfo=UTC)
    printing, hemming = first.stages.all()
    assert (printing.kind.key, printing.state) == ("print", StageState.FINISHED)
    assert printing.drivers == {"pieces": 4}
    assert hemming.drivers == {"pieces": 7}
    assert StageEdge.objects.get(before=printing).after == hemming
    kinds = [event.kind for event in hemming.events.order_by("at", "kind")]
    assert kinds == [TapKind.SITTING, TapKind.SITTING, TapKind.FINISH]


def test_words_of_the_log_are_found_whatever_their_capitals_or_made_and_said(
    tmp_path: Path, shop: Shop
) -> None:
    out = run(written(tmp_path))
    assert "New job types (1): Banner." in out
    assert "New stage kinds (2): Hemming, Press set-up." in out
    assert "New people (2): Ann, Ben." in out
    assert StageKind.objects.get(name="Press set-up").category == Category.SETUP
    assert set(Stage.objects.filter(kind__key="print").values_list("name", flat=True)) == {"Print"}
    assert set(Job.objects.values_list("job_type__name", flat=True)) == {"Banner"}


def test_a_new_job_type_gets_the_usual_line_of_its_jobs_as_its_route(tmp_path: Path, shop: Shop) -> None:
    assert "New routes (1): Banner." in run(written(tmp_path))
    route = RouteStage.objects.filter(job_type__name="Banner").order_by("position")
    assert list(route.values_list("kind__name", flat=True)) == ["Press set-up", "Print", "Hemming"]


def test_a_kind_of_the_logs_own_never_takes_a_stock_kinds_trade_default(tmp_path: Path, shop: Shop) -> None:
    run(written(tmp_path, LOG.replace("Hemming", "Print!")))
    assert StageKind.objects.get(name="Print!").key == "print-2"


def test_the_same_file_again_changes_nothing_and_says_so(tmp_path: Path, shop: Shop) -> None:
    run(written(tmp_path))
    before, revision = counts(), Shop.objects.get().revision
    assert "Nothing new: all 5 rows had been imported before." in run(written(tmp_path))
    assert counts() == before
    assert Shop.objects.get().revision == revision


def test_identical_rows_are_different_sittings(tmp_path: Path, shop: Shop) -> None:
    twice = written(tmp_path, LOG + LOG.splitlines()[2] + "\n")
    run(twice)
    assert ClockEvent.objects.filter(kind=TapKind.SITTING).count() == 6
    assert "Nothing new" in run(twice)


def test_a_longer_log_adds_only_what_is_new(tmp_path: Path, shop: Shop) -> None:
    run(written(tmp_path))
    more = (
        "A1,Banner,Hemming,2026-03-04T09:00Z,2026-03-04T09:30Z,,Ben,,5\n"
        "A1,Banner,Packing,2026-03-04T09:40Z,2026-03-04T09:50Z,,Ben,,\n"
    )
    out = run(written(tmp_path, LOG + more))
    assert "Imported 2 rows" in out
    assert "5 rows had been imported before" in out
    hemming = Stage.objects.get(name="Hemming", job__reference="A1")
    assert (hemming.drivers, hemming.state) == ({"pieces": 12}, StageState.FINISHED)
    assert hemming.finished_at == datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
    assert [s.name for s in hemming.job.stages.all()] == ["Print", "Hemming", "Packing"]
    assert StageEdge.objects.get(before=hemming).after.name == "Packing"


def test_the_next_months_log_adds_to_a_stages_drivers(tmp_path: Path, shop: Shop) -> None:
    run(written(tmp_path))
    run(written(tmp_path, f"{HEADER}\nA1,Banner,Hemming,2026-03-04T09:00Z,2026-03-04T09:30Z,,Ben,,5\n"))
    assert Stage.objects.get(name="Hemming").drivers == {"pieces": 12}


def test_without_a_shop_one_is_made_and_said(tmp_path: Path) -> None:
    out = run(written(tmp_path))
    shop = Shop.objects.get()
    assert (shop.time_zone, shop.units) == ("UTC", "metric")
    assert OpeningHours.objects.of(shop).count() == 5
    assert "There was no shop, so 'Shop' (--shop shop) was made: UTC, metric" in out


def test_a_bad_row_leaves_nothing_behind_not_even_the_shop(tmp_path: Path) -> None:
    before = counts()
    with pytest.raises(CommandError, match="line 4, column finished_at"):
        run(
            written(
                tmp_path, LOG.replace("2026-03-02T11:15Z", "2026-03-02T10:59Z").replace("T10:40Z", "T10:00Z")
            )
        )
    assert counts() == before


def test_a_job_known_under_another_type_leaves_nothing_behind(tmp_path: Path, shop: Shop) -> None:
    run(written(tmp_path))
    before = counts()
    other = f"{HEADER}\nA1,Poster,Folding,2026-03-04T09:00Z,2026-03-04T09:30Z,,Cleo,,\n"
    with pytest.raises(CommandError, match="type 'Poster' here, and in the shop of type 'Banner'"):
        run(written(tmp_path, other))
    assert counts() == before


def test_unknown_columns_become_drivers_and_categories_when_asked(tmp_path: Path, shop: Shop) -> None:
    rows = LOG.splitlines()
    wide = "\n".join([f"{rows[0]},wheels,Film colour", *(f"{row},{i},red" for i, row in enumerate(rows[1:]))])
    with pytest.raises(CommandError, match="columns wheels, film_colour are not known"):
        run(written(tmp_path, wide))
    out = run(written(tmp_path, wide), "--define-drivers")
    assert "New drivers (1): wheels." in out
    assert "New categories (1): film_colour." in out
    hemming = Stage.objects.get(name="Hemming")
    assert hemming.drivers == {"pieces": 7, "wheels": 2, "film_colour": "red"}


def test_times_without_offset_are_on_the_shops_clock_and_said(tmp_path: Path, shop: Shop) -> None:
    out = run(written(tmp_path, LOG.replace("2026-03", "2026-07").replace("Z,", ",")))
    assert "10 times had no offset and were read as Europe/London times." in out
    assert Job.objects.get(reference="A1").started_at == datetime(2026, 7, 2, 8, 0, tzinfo=UTC)


def test_several_shops_must_be_told_apart(tmp_path: Path, shop: Shop) -> None:
    shop_create(slug="hill", name="Hill Signs")
    with pytest.raises(CommandError, match="Say which: --shop with one of hill, quay"):
        run(written(tmp_path))
    with pytest.raises(CommandError, match="no shop 'dale'"):
        run(written(tmp_path), "--shop", "dale")
    run(written(tmp_path), "--shop", "hill")
    assert set(Job.objects.values_list("shop__slug", flat=True)) == {"hill"}
    run(written(tmp_path), "--shop", "quay")  # the same rows are other events in another shop
    assert Job.objects.filter(shop=shop).count() == 2


def test_a_short_attendance_with_a_machine_is_a_machine_that_ran_on(tmp_path: Path, shop: Shop) -> None:
    run(written(tmp_path))
    printing = Stage.objects.get(job__reference="A1", kind__key="print")
    lengths = {
        interval.kind: (interval.ends_at - interval.starts_at).total_seconds() / 60
        for interval in printing.intervals.all()
        if interval.ends_at
    }
    assert lengths == {"hands_on": 20.0, "machine": 60.0}
    assert printing.sample.hands_on_min == 20.0  # type: ignore[attr-defined]
    assert printing.sample.unattended_min == 40.0  # type: ignore[attr-defined]
