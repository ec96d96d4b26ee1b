"""Dates as people write them: the order of day and month is read off the file, or asked.

The ways of writing are those of Unicode CLDR 46, short date pattern of the locale named beside each.
"""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.test import Client

from jobs.importing.dates import Order, as_iso, both_ways, reading_of
from jobs.models import ClockEvent, ColumnMapping, ImportDraft
from shop.models import Membership, Role, Shop, User
from shop.services import shop_create

DAY, MONTH = Order.DAY_FIRST, Order.MONTH_FIRST
HEADER = "job,job_type,stage,started_at,finished_at\n"


@pytest.mark.parametrize(
    ("text", "order", "iso"),
    [
        ("13/04/2026 09:15", DAY, "2026-04-13T09:15:00"),  # en-GB
        ("4/13/26, 9:15 PM", MONTH, "2026-04-13T21:15:00"),  # en-US
        ("13.04.26, 09:15", DAY, "2026-04-13T09:15:00"),  # de
        ("13-04-2026 09:15:30", DAY, "2026-04-13T09:15:30"),  # nl
        ("2026/04/13 9:15", None, "2026-04-13T09:15:00"),  # ja
        ("2026. 04. 13", None, "2026. 04. 13"),  # spaces inside a date are left, and named
        ("2026-04-13 09:15", None, "2026-04-13 09:15"),  # sv, and ISO 8601
        ("2026-04-13T09:15Z", None, "2026-04-13T09:15Z"),
        ("4/13/2026 12:05 am", MONTH, "2026-04-13T00:05:00"),
        ("4/13/2026 12:05 p.m.", MONTH, "2026-04-13T12:05:00"),
        ("13/04/2026 09:15 +02:00", DAY, "2026-04-13T09:15:00+02:00"),
        ("31/02/2026 09:15", DAY, "31/02/2026 09:15"),  # there is no such day
        ("13/04/2026 13:15 PM", DAY, "13/04/2026 13:15 PM"),
        ("Monday", DAY, "Monday"),
    ],
)
def test_each_way_of_writing(text: str, order: Order | None, iso: str) -> None:
    assert as_iso(text, order) == iso


@pytest.mark.parametrize(
    ("texts", "said", "order", "asked"),
    [
        (["03/04/2026", "13/04/2026"], None, DAY, False),
        (["03/04/2026", "04/13/2026"], None, MONTH, False),
        (["03/04/2026", "05/06/2026"], None, None, True),
        (["03/04/2026", "05/06/2026"], MONTH, MONTH, False),
        (["03/04/2026", "13/04/2026"], MONTH, DAY, False),  # the file knows better
        (["03.04.2026"], None, DAY, False),
        (["03.04.2026", "04.13.2026"], None, MONTH, False),
        (["05/05/2026", "06/06/2026"], None, DAY, False),  # it is the same either way
        (["13/04/2026", "04/13/2026"], None, None, True),
        (["13/04/2026", "14/04/2026", "04/13/2026"], None, DAY, False),  # the odd one is named as wrong
        (["2026-04-03 09:00", ""], None, None, False),
        ([], None, None, False),
    ],
)
def test_the_whole_file_decides(
    texts: list[str], said: Order | None, order: Order | None, asked: bool
) -> None:
    reading = reading_of([f"{text} 09:00" if "/" in text else text for text in texts], said)
    assert (reading.order, reading.asked) == (order, asked)


def test_an_example_is_said_both_ways() -> None:
    assert both_ways("03/04/2026 09:00") == ("3 April 2026", "4 March 2026")


@pytest.fixture
def shop(db: None) -> Shop:
    return shop_create(slug="quay", name="Quay Signs")


@pytest.fixture
def planner(shop: Shop) -> Client:
    user = User.objects.create_user("planner")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def looked_at(client: Client, content: bytes, name: str = "log.csv") -> tuple[ImportDraft, str]:
    page = client.post("/import/", {"file": SimpleUploadedFile(name, content)}, follow=True)
    draft = ImportDraft.objects.latest("pk")
    return draft, page.content.decode()


def first_row(draft: ImportDraft) -> list[str]:
    return draft.result["first"][0][3:5]


def test_a_year_that_was_mistyped_is_said_before_it_is_brought_in(planner: Client) -> None:
    log = HEADER + "A,Van,Print,2006-03-02 09:00,2006-03-02 09:30\n"
    assert "in the future" not in looked_at(planner, log.encode())[1]
    _, page = looked_at(planner, (log + log.splitlines()[1].replace("2006-", "2196-")).encode())
    assert "1 row ends in the future, where nothing can have been clocked. Check the dates." in page


def test_what_the_file_does_not_show_is_asked_and_remembered_with_its_columns(planner: Client) -> None:
    log = HEADER + "A,Van,Print,03/04/2026 09:00,03/04/2026 09:30\n"
    draft, page = looked_at(planner, log.encode())
    assert (
        "03/04/2026 09:00 may be 3 April 2026 or 4 March 2026, and no other date of the file tells." in page
    )
    assert "Bring it in" not in page
    columns = {f"column-{i}": name for i, name in enumerate(draft.columns.values())}
    page = planner.post(
        f"/import/{draft.pk}/columns/", {**columns, "dates": "mdy"}, follow=True
    ).content.decode()
    draft.refresh_from_db()
    assert first_row(draft) == ["2026-03-04 09:00", "2026-03-04 09:30"]
    assert "were read with the month first" in page
    planner.post(f"/import/{draft.pk}/start/")
    assert ClockEvent.objects.get(kind="sitting").at == datetime(2026, 3, 4, 9, tzinfo=UTC)
    assert ColumnMapping.objects.get().dates == "mdy"
    again, page = looked_at(planner, log.replace("03/04", "05/06").replace("A,", "B,").encode())
    assert first_row(again) == ["2026-05-06 09:00", "2026-05-06 09:30"]
    sure, page = looked_at(planner, log.replace("03/04", "13/04").replace("A,", "C,").encode())
    assert first_row(sure) == ["2026-04-13 09:00", "2026-04-13 09:30"]
    assert "for the file shows it. That is not as the last time." in page


def test_dates_that_are_text_in_a_sheet_are_read_too_and_dates_that_are_dates_are_not_doubted(
    planner: Client,
) -> None:
    for start, end, shown in (
        ("13.04.2026 09:00", "13.04.2026 09:30", "2026-04-13 09:00"),
        (datetime(2026, 4, 3, 9), datetime(2026, 4, 3, 9, 30), "2026-04-03 09:00"),
    ):
        book = openpyxl.Workbook()
        assert book.active is not None
        book.active.append(HEADER.strip().split(","))
        book.active.append(["A", "Van", "Print", start, end])
        file = io.BytesIO()
        book.save(file)
        draft, _ = looked_at(planner, file.getvalue(), "log.xlsx")
        assert (draft.result["wrong"], first_row(draft)[0]) == ([], shown)


@pytest.mark.parametrize(
    ("encoding", "said"),
    [("utf-8", ""), ("utf-8-sig", ""), ("utf-16", "UTF-16"), ("latin-1", "Western European")],
)
def test_whatever_the_encoding_with_semicolons_and_decimal_commas(
    planner: Client, encoding: str, said: str
) -> None:
    log = (
        "Auftrag;job type;stage;start;end;person;area [m²]\n"
        "Ä-1;Van;Print;13.04.2026 09:00;13.04.2026 09:30;Jörg;4,25\n"
    )
    draft, page = looked_at(planner, log.encode(encoding))
    labels = log.splitlines()[0].split(";")
    columns = {f"column-{i}": draft.columns[label] for i, label in enumerate(labels)} | {"column-0": "job"}
    page = planner.post(f"/import/{draft.pk}/columns/", columns, follow=True).content.decode()
    draft.refresh_from_db()
    row = draft.result["first"][0]
    assert (row[0], row[3], row[6], row[8]) == ("Ä-1", "2026-04-13 09:00", "Jörg", "4.25")
    assert said in page
    assert "Commas in area [m²] were read as decimal commas." in page


def test_the_command_asks_too(shop: Shop, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEADER + "A,Van,Print,03/04/2026 09:00,03/04/2026 09:30\n", encoding="utf-8")
    with pytest.raises(
        CommandError, match=r"may be 3 April 2026 or 4 March 2026.*--dates dmy or --dates mdy"
    ):
        call_command("import_timings", str(path))
    call_command("import_timings", str(path), "--dates", "dmy")
    assert ClockEvent.objects.get(kind="sitting").at == datetime(2026, 4, 3, 9, tzinfo=UTC)
