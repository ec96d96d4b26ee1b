"""A log is looked at and brought in on its page: what is shown beforehand is what is made, once, or nothing."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.test import Client
from django.utils import timezone

from jobs.importing.planning import plan_of
from jobs.importing.preview import columns_for, understand
from jobs.importing.uploads import read_upload
from jobs.importing.writing import log_write
from jobs.models import (
    ClockEvent,
    ColumnMapping,
    DraftState,
    Driver,
    ImportDraft,
    Interval,
    Job,
    JobType,
    Stage,
    StageKind,
    TapKind,
)
from jobs.services import importing
from jobs.services.importing import draft_bring_in, draft_make, draft_want, drafts_sweep
from shop.errors import ShopError
from shop.models import Machine, Membership, Person, Role, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db(transaction=True)

LOG = """Order No;Type of job;Step;Start;End;Who;Machine;Area [m²];Film weight (g);nr
A-101;Vehicle graphics;Print;2026-03-02 09:00;2026-03-02 10:05;Mira;Large printer;4,25;80,5;1
A-101;Vehicle graphics;Hand hemming;2026-03-02 10:10;2026-03-02 10:40;Jon;;4,25;80,5;2
A-101;Vehicle graphics;hand hemming;2026-03-02 11:00;2026-03-02 11:15;jon;;4,25;80,5;3
B-7;Shop windows;Press set-up;2026-03-03 09:00;2026-03-03 09:12;Mira;;2,5;;4
B-7;Shop windows;Print;2026-03-03 09:30;2026-03-03 10:00;Mira;Large printer;2,5;;5
"""
MORE = LOG + "B-7;Shop windows;Weed;2026-03-03 09:40;2026-03-03 10:20;Mira;;2,5;;6\n"
BAD = LOG.replace("2026-03-02 11:15", "2026-03-02 10:59").replace("Press set-up", "")


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London")


@pytest.fixture
def planner(shop: Shop) -> Client:
    return logged_in(shop, Role.PLANNER)


def logged_in(shop: Shop, role: Role) -> Client:
    user = User.objects.create_user(f"{role.value} {shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def sent(client: Client, text: str = LOG, name: str = "log.csv") -> Any:
    return client.post("/import/", {"file": SimpleUploadedFile(name, text.encode())}, follow=True)


def counts() -> dict[str, int]:
    models: list[Any] = [Job, Stage, StageKind, JobType, Person, Machine, ClockEvent, Interval, Driver]
    return {model.__name__: model.objects.count() for model in models}


def test_a_file_is_shown_before_anything_is_made_and_then_made_as_shown(shop: Shop, planner: Client) -> None:
    before, revision = counts(), Shop.objects.get().revision
    page = sent(planner).content.decode()
    draft = ImportDraft.objects.get()
    assert (counts(), Shop.objects.get().revision) == (before, revision)
    for said in (
        "new quantity: Film weight",
        "2</strong> new kinds of stage: Hand hemming, Press set-up",
        "new job type: Shop windows",
        "2</strong> new people: Mira, Jon",
        "10 times have no offset and were read as Europe/London times.",
        "Commas in Area [m²] and Film weight (g) were read as decimal commas.",
        "Left out: nr.",
    ):
        assert said in page
    shown = draft.result
    done = planner.post(f"/import/{draft.pk}/start/", follow=True).content.decode()
    assert "<strong>Brought in:</strong> 5 rows." in done
    draft.refresh_from_db()
    assert (draft.state, bytes(draft.content)) == (DraftState.DONE, b"")
    written = draft.result["written"]
    assert [written[name] for name in ("jobs", "stages", "new_rows")] == [2, 4, 5]
    assert [shown[name] for name in ("jobs", "stages", "new_rows")] == [2, 4, 5]
    assert sorted(shown["made"]) == sorted(written["made"])
    driver = Driver.objects.get(key="film_weight")
    assert (driver.name, driver.unit, driver.is_category) == ("Film weight", "g", False)
    hemming = Stage.objects.get(kind__name="Hand hemming")
    assert hemming.drivers == {"area_m2": 4.25, "film_weight": 80.5}
    assert hemming.sample.hands_on_min == 45  # type: ignore[attr-defined]
    assert "first" not in draft.result  # no row of the file is kept


def test_a_second_time_the_columns_are_read_as_before_and_nothing_is_new(shop: Shop, planner: Client) -> None:
    sent(planner)
    planner.post(f"/import/{ImportDraft.objects.get().pk}/start/")
    before, revision = counts(), Shop.objects.get().revision
    page = sent(planner).content.decode()
    assert "Read as last time:" in page
    assert "all 5 rows have been brought in before" in page
    assert "Bring it in" not in page
    again = ImportDraft.objects.first()
    assert again is not None
    assert again.columns["Film weight (g)"] == "driver:film_weight"
    done = planner.post(f"/import/{again.pk}/start/", follow=True).content.decode()
    assert "all 5 rows had been brought in before. Nothing was changed." in done
    assert (counts(), Shop.objects.get().revision) == (before, revision)
    assert ColumnMapping.objects.count() == 1


def test_columns_can_be_read_otherwise_and_that_is_remembered(shop: Shop, planner: Client) -> None:
    sent(planner, LOG.replace("Who", "Initials"))
    draft = ImportDraft.objects.get()
    assert draft.columns["Initials"] == ""
    labels = [label for label, _ in draft.result["columns"]]
    chosen = {f"column-{i}": draft.columns[label] for i, label in enumerate(labels)}
    chosen[f"column-{labels.index('Initials')}"] = "person"
    chosen[f"column-{labels.index('Film weight (g)')}"] = ""
    page = planner.post(f"/import/{draft.pk}/columns/", chosen, follow=True).content.decode()
    assert "new people: Mira, Jon" in page
    assert "new quantity" not in page.split("What its columns are")[0]
    planner.post(f"/import/{draft.pk}/start/")
    assert ClockEvent.objects.filter(person__name="Mira").count() == 3
    sent(planner, MORE.replace("Who", "Initials"))
    again = ImportDraft.objects.first()
    assert again is not None
    assert (again.columns["Initials"], again.columns["Film weight (g)"]) == ("person", "")
    assert again.result["new_rows"] == 1


def test_wrong_rows_are_named_with_the_files_own_columns_and_nothing_can_be_brought_in(
    shop: Shop, planner: Client
) -> None:
    before = counts()
    page = sent(planner, BAD).content.decode()
    draft = ImportDraft.objects.get()
    assert "2 of 5 rows are wrong" in page
    assert [tuple(p[:2]) for p in draft.result["problems"]] == [("line 4", "End"), ("line 5", "Step")]
    assert "is before Start 2026-03-02 11:00" in draft.result["problems"][0][2]
    listed = planner.get(f"/import/{draft.pk}/wrong-rows.csv").content.decode()
    assert [row[:2] for row in csv.reader(io.StringIO(listed))] == [
        ["place", "column"],
        ["line 4", "End"],
        ["line 5", "Step"],
    ]
    answer = planner.post(f"/import/{draft.pk}/start/", follow=True).content.decode()
    assert "Some rows are wrong." in answer
    draft.refresh_from_db()
    assert draft.state == DraftState.PREVIEW
    assert counts() == before


def test_of_many_wrong_rows_fifty_are_shown_and_all_are_in_the_list(shop: Shop, planner: Client) -> None:
    header, row = LOG.splitlines()[:2]
    page = sent(planner, "\n".join([header, *[row.replace("Print", "")] * 80])).content.decode()
    draft = ImportDraft.objects.get()
    assert (len(draft.result["problems"]), draft.result["more_problems"]) == (50, 30)
    assert "And 30 more." in page
    assert planner.get(f"/import/{draft.pk}/wrong-rows.csv").content.count(b"\r\n") == 81


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"", "empty"), (b"%PDF-1.7", "This is a PDF"), (b"Job\n", "no rows")],
)
def test_a_file_that_cannot_be_read_is_refused_and_not_kept(
    planner: Client, content: bytes, says: str
) -> None:
    answer = planner.post("/import/", {"file": SimpleUploadedFile("log.csv", content)})
    assert (answer.status_code, ImportDraft.objects.count()) == (422, 0)
    assert says in answer.content.decode()
    assert planner.post("/import/", {}).status_code == 422


def test_makers_may_not_and_other_shops_have_no_such_file(shop: Shop, planner: Client) -> None:
    sent(planner)
    key = ImportDraft.objects.get().pk
    maker = logged_in(shop, Role.MAKER)
    stranger = logged_in(shop_create(slug="hill", name="Hill Signs"), Role.OWNER)
    for path in ("", "start/", "columns/", "discard/"):
        ask = "get" if not path else "post"
        assert getattr(maker, ask)(f"/import/{key}/{path}").status_code == 403
        assert getattr(stranger, ask)(f"/import/{key}/{path}").status_code == 404
    assert stranger.get(f"/import/{key}/wrong-rows.csv").status_code == 404
    assert ImportDraft.objects.get().state == DraftState.PREVIEW


def test_the_part_that_moves_is_sent_only_when_it_moved(shop: Shop, planner: Client) -> None:
    sent(planner)
    draft = ImportDraft.objects.get()
    ImportDraft.objects.update(state=DraftState.RUNNING, step="Writing: 5 rows")
    first = planner.get(f"/import/{draft.pk}/", headers={"X-Part": "1"})
    assert "Writing<span" in first.content.decode()
    assert "<html" not in first.content.decode()
    tag = {"X-Part": "1", "If-None-Match": first["ETag"]}
    assert planner.get(f"/import/{draft.pk}/", headers=tag).status_code == 304
    ImportDraft.objects.update(step="Learning: 4 stages")
    assert planner.get(f"/import/{draft.pk}/", headers=tag).status_code == 200


def plan_and_made(shop: Shop, text: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """What the plan says and what the writing does with a log, in one shape."""
    upload = read_upload(text.encode())
    seen = understand(shop, upload, columns_for(shop, upload)[0])
    plan = plan_of(shop, seen.log)
    record = ImportDraft.objects.create(shop=shop, name="log.csv", content=b"", state=DraftState.RUNNING)
    done = log_write(shop, seen.log, record)
    named = [
        {
            "rows": each.rows,
            "new": each.new_rows,
            "jobs": each.jobs,
            "stages": each.stages,
            "made": {what: sorted(names) for what, names in each.made.items()},
            "clashes": each.clashes,
        }
        for each in (plan, done)
    ]
    return named[0], named[1]


@pytest.mark.parametrize(
    "second", [LOG, MORE, MORE.replace("Shop windows", "Vehicle graphics").replace("B-7", "C-9")]
)
def test_the_plan_says_what_the_writing_makes(shop: Shop, second: str) -> None:
    Driver.objects.create(shop=shop, key="film", name="Film", is_category=True, levels=["cast"])
    first = LOG.replace(";nr", ";Film").replace(";1\n", ";cast\n").replace(";2\n", ";paper\n")
    planned, made = plan_and_made(shop, first)
    assert planned == made
    assert made["made"]["words of Film"] == ["3", "4", "5", "paper"]
    assert Driver.objects.get(key="film").levels == ["cast", "paper", "3", "4", "5"]
    planned, made = plan_and_made(shop, second)
    for each in (planned, made):
        del each["clashes"]  # the writing also counts those with what is in the shop
    assert planned == made


def test_the_plan_counts_the_clashes_of_the_log(shop: Shop) -> None:
    text = LOG.replace("2026-03-02 10:10", "2026-03-02 09:30").replace(";Jon;", ";Mira;")
    planned, made = plan_and_made(shop, text)
    assert planned["clashes"] == made["clashes"] == 1


def wanted(shop: Shop, text: str = LOG) -> ImportDraft:
    draft = draft_make(shop, None, "log.csv", text.encode())
    draft_want(draft)
    return draft


def test_the_sweep_brings_in_what_no_message_told_of(shop: Shop) -> None:
    draft = wanted(shop)
    drafts_sweep(timezone.now())
    draft.refresh_from_db()
    assert draft.state == DraftState.DONE
    assert Job.objects.count() == 2


def test_asking_twice_and_bringing_in_twice_makes_everything_once(shop: Shop) -> None:
    draft = wanted(shop)
    draft_want(ImportDraft.objects.get())
    draft_bring_in(draft.pk)
    before, result = counts(), ImportDraft.objects.get().result
    draft_bring_in(draft.pk)
    drafts_sweep(timezone.now())
    assert counts() == before
    assert ImportDraft.objects.get().result == result
    with pytest.raises(ShopError, match="was brought in already"):
        importing.draft_discard(draft)


def test_a_worker_that_dies_after_writing_is_gone_on_for(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, settings: Any
) -> None:
    """The rows are there and not learned yet: the next worker learns them, and says what the first one made."""
    settings.EMBEDDED = False
    draft = wanted(shop)

    class Killed(BaseException):
        pass

    def die(**_: Any) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(importing.history_written, "send", die)
        with pytest.raises(Killed):
            draft_bring_in(draft.pk)
    assert ImportDraft.objects.get().state == DraftState.RUNNING
    before = counts()
    drafts_sweep(timezone.now() + timedelta(minutes=1))
    assert ImportDraft.objects.get().state == DraftState.RUNNING  # it may be at work still
    drafts_sweep(timezone.now() + timedelta(minutes=16))
    draft.refresh_from_db()
    assert (draft.state, draft.result["written"]["new_rows"]) == (DraftState.DONE, 5)
    assert counts() == before
    assert Stage.objects.filter(sample__isnull=False).count() == 4


def test_one_that_never_comes_to_an_end_is_given_up(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    draft = wanted(shop)

    def fail(*_: Any) -> None:
        raise RuntimeError

    monkeypatch.setattr(importing, "log_write", fail)
    for _ in range(3):
        ImportDraft.objects.update(state=DraftState.WANTED)
        with pytest.raises(RuntimeError):
            draft_bring_in(draft.pk)
    ImportDraft.objects.update(state=DraftState.WANTED)
    draft_bring_in(draft.pk)
    draft.refresh_from_db()
    assert draft.state == DraftState.FAILED
    assert "tried three times" in draft.result["failed"]


def test_what_has_become_wrong_since_it_was_looked_at_is_said_and_nothing_is_kept(
    shop: Shop, planner: Client, tmp_path: Path
) -> None:
    draft = wanted(shop)
    other = (
        "job,job_type,stage,started_at,finished_at\nA-101,Poster,Fold,2026-03-01T09:00Z,2026-03-01T09:30Z\n"
    )
    (tmp_path / "other.csv").write_text(other, encoding="utf-8")
    call_command("import_timings", str(tmp_path / "other.csv"))
    before = counts()
    draft_bring_in(draft.pk)
    draft.refresh_from_db()
    assert draft.state == DraftState.FAILED
    assert "in the shop of type 'Poster'" in draft.result["failed"]
    assert counts() == before
    page = planner.get(f"/import/{draft.pk}/").content.decode()
    assert "Not brought in:" in page
    assert "Read it like this" in page
    Job.objects.filter(reference="A-101").update(job_type=JobType.objects.get(name="Vehicle graphics"))
    planner.post(f"/import/{draft.pk}/start/")  # put right, it goes in
    draft.refresh_from_db()
    assert (draft.state, draft.result["written"]["new_rows"]) == (DraftState.DONE, 5)


def test_after_seven_days_a_file_is_forgotten(shop: Shop, planner: Client) -> None:
    looked_at = draft_make(shop, None, "log.csv", LOG.encode())
    failed = draft_make(shop, None, "log.csv", LOG.encode())
    ImportDraft.objects.filter(pk=failed.pk).update(state=DraftState.FAILED)
    drafts_sweep(timezone.now() + timedelta(days=6))
    assert ImportDraft.objects.count() == 2
    drafts_sweep(timezone.now() + timedelta(days=8))
    assert not ImportDraft.objects.filter(pk=looked_at.pk).exists()
    failed.refresh_from_db()
    assert bytes(failed.content) == b""
    assert "is gone" in planner.get(f"/import/{failed.pk}/").content.decode()
    assert "is gone" in planner.post(f"/import/{failed.pk}/columns/", follow=True).content.decode()


def test_only_a_few_files_wait_to_be_looked_at(shop: Shop) -> None:
    for n in range(7):
        draft_make(shop, None, f"{n}.csv", LOG.encode())
    assert list(ImportDraft.objects.values_list("name", flat=True)) == [
        "6.csv",
        "5.csv",
        "4.csv",
        "3.csv",
        "2.csv",
    ]


def test_a_log_of_the_standard_and_a_sheet_are_looked_at_too(
    shop: Shop, planner: Client, tmp_path: Path
) -> None:
    (tmp_path / "log.csv").write_text(
        "job,job_type,stage,started_at,finished_at,pieces\nA,Van,Print,2026-03-01T09:00Z,2026-03-01T09:30Z,4\n",
        encoding="utf-8",
    )
    other = shop_create(slug="hill", name="Hill Signs")
    call_command("import_timings", str(tmp_path / "log.csv"), "--shop", "hill")
    for ending in ("xes", "xlsx"):
        call_command("export_timings", str(tmp_path / f"log.{ending}"), "--shop", other.slug)
        file = SimpleUploadedFile(f"log.{ending}", (tmp_path / f"log.{ending}").read_bytes())
        planner.post("/import/", {"file": file})
        draft = ImportDraft.objects.first()
        assert draft is not None
        assert (draft.result["kind"], draft.result["wrong"], draft.result["new_rows"]) == (
            ending.upper(),
            [],
            1,
        )
        assert draft.columns["pieces"] == "driver:pieces"
    draft_want(draft)
    draft_bring_in(draft.pk)
    assert ClockEvent.objects.of(shop).filter(kind=TapKind.SITTING).count() == 1
