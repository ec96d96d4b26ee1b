"""Files of stage times, well formed and not: what is read, and what a message says of what is wrong."""

import io
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import openpyxl
import pytest

from jobs.importing.delimited import read_csv
from jobs.importing.files import read_table
from jobs.importing.problems import BadFile
from jobs.importing.sittings import Log, Sitting, read_log, stage_values
from jobs.importing.table import Table
from jobs.importing.workbook import read_xlsx
from jobs.importing.xes import read_xes

HEADER = "job,job_type,stage,started_at,finished_at"
ROW = "J1,Van,Print,2026-03-02T09:00:00+00:00,2026-03-02T10:00:00+00:00"
STOCK = dict.fromkeys(("area_m2", "cut_m", "pieces", "panels", "layers", "passes", "height_m"), False)
LONDON = ZoneInfo("Europe/London")


def table(*rows: str, header: str = HEADER) -> Table:
    return read_csv("\n".join((header, *rows)).encode())


def log(*rows: str, header: str = HEADER, **options: bool) -> Log:
    return read_log(table(*rows, header=header), LONDON, STOCK, **options)


def refused(*rows: str, header: str = HEADER, **options: bool) -> BadFile:
    with pytest.raises(BadFile) as caught:
        log(*rows, header=header, **options)
    return caught.value


def test_a_row_becomes_a_sitting_in_utc() -> None:
    (sitting,) = log(
        "J1,Van,Print,2026-03-02T09:00:00+02:00,2026-03-02T08:30:00Z,12.5,Ann,Printer,3.2",
        header=HEADER + ",hands_on_min,person,machine,area_m2",
    ).sittings
    assert sitting == Sitting(
        "line 2",
        "J1",
        "Van",
        "Print",
        datetime(2026, 3, 2, 7, 0, tzinfo=UTC),
        datetime(2026, 3, 2, 8, 30, tzinfo=UTC),
        12.5,
        "Ann",
        "Printer",
        {"area_m2": 3.2},
    )


def test_a_time_without_offset_is_on_the_shops_clock_and_counted() -> None:
    read = log("J1,Van,Print,2026-07-01T09:00,2026-07-01T10:00")
    assert read.sittings[0].started_at == datetime(2026, 7, 1, 8, 0, tzinfo=UTC)  # summer time
    assert read.local_times == 2


@pytest.mark.parametrize(
    ("row", "column", "says"),
    [
        (",Van,Print,2026-03-02T09:00Z,2026-03-02T10:00Z", "job", "empty"),
        ("J1,,Print,2026-03-02T09:00Z,2026-03-02T10:00Z", "job_type", "empty"),
        ("J1,Van, ,2026-03-02T09:00Z,2026-03-02T10:00Z", "stage", "empty"),
        ("J1,Van,Print,yesterday,2026-03-02T10:00Z", "started_at", "'yesterday' is no instant"),
        ("J1,Van,Print,2026-03-02,2026-03-02T10:00Z", "started_at", "no instant"),
        ("J1,Van,Print,2026-03-02T09:00Z,", "finished_at", "is empty"),
        ("J1,Van,Print,2026-03-02T09:00Z,2026-03-02T08:59Z", "finished_at", "before started_at"),
        ("J1,Van,Print,0026-03-02T09:00Z,2026-03-02T10:00Z", "started_at", "year 26"),
    ],
)
def test_a_bad_value_is_named_by_line_and_column(row: str, column: str, says: str) -> None:
    error = refused(ROW, row)
    (problem,) = error.problems
    assert (problem.place, problem.column) == ("line 3", column)
    assert says in problem.reason
    assert f"line 3, column {column}" in error.message
    assert "1 of 2 rows is wrong" in error.message


@pytest.mark.parametrize(
    ("minutes", "says"),
    [("-1", "negative"), ("an hour", "not a number"), ("nan", "not a number"), ("62", "more than")],
)
def test_hands_on_minutes_are_checked_against_their_interval(minutes: str, says: str) -> None:
    error = refused(f"{ROW},{minutes}", header=HEADER + ",hands_on_min")
    assert error.problems[0].column == "hands_on_min"
    assert says in error.problems[0].reason


@pytest.mark.parametrize(
    ("minutes", "kept"), [("60", None), ("60.9", None), ("59.5", 59.5), ("0", 0.0), ("", None)]
)
def test_hands_on_minutes_over_by_the_rounding_of_the_log_are_the_whole_interval(
    minutes: str, kept: float | None
) -> None:
    assert log(f"{ROW},{minutes}", header=HEADER + ",hands_on_min").sittings[0].hands_on_min == kept


@pytest.mark.parametrize(
    ("value", "says"),
    [("-3", "negative"), ("inf", "not a number"), ("1_0", "not a number"), ("1e308", "more than any")],
)
def test_a_driver_is_a_number_of_zero_or_more(value: str, says: str) -> None:
    error = refused(f"{ROW},{value}", header=HEADER + ",pieces")
    assert error.problems[0].column == "pieces"
    assert says in error.problems[0].reason


def test_an_empty_driver_is_unknown_and_not_zero() -> None:
    assert log(f"{ROW},", header=HEADER + ",pieces").sittings[0].drivers == {}


def test_a_job_has_one_type() -> None:
    error = refused(ROW, ROW.replace("Van", "Wall"))
    assert "'Wall' here and of type 'Van' at line 2" in error.message


def test_three_bad_rows_of_ten_thousand_are_the_ones_that_are_named() -> None:
    rows = [ROW.replace("J1", f"J{i}") for i in range(10_000)]
    rows[17] = rows[17].replace("2026-03-02T10", "2026-03-02T08")
    rows[5_000] = rows[5_000] + ",extra"
    rows[9_999] = rows[9_999].replace("Print", "")
    error = refused(*rows)
    assert [problem.place for problem in error.problems] == ["line 19", "line 5002", "line 10001"]
    assert "3 of 10,000 rows are wrong" in error.message
    assert "6 fields, but the header has 5" in error.message


def test_of_many_bad_rows_the_rest_is_counted() -> None:
    error = refused(*[ROW.replace("Print", "")] * 80)
    assert error.message.count("\n") == 51
    assert error.message.endswith("… and 30 more.")


def test_unknown_columns_are_named_with_the_ways_out() -> None:
    error = refused(f"{ROW},4,red", header=HEADER + ",wheels,colour")
    assert "columns wheels, colour are not known" in error.message
    assert "--define-drivers" in error.message
    assert "--ignore-unknown" in error.message


def test_unknown_columns_can_be_left_out_or_defined() -> None:
    header = HEADER + ",Wheel size,colour,blank"
    rows = (f"{ROW},4.5,red,", f"{ROW},,blue,")
    left = log(*rows, header=header, ignore_unknown=True)
    assert left.ignored == ["wheel_size", "colour", "blank"]
    assert left.sittings[0].drivers == {}
    made = log(*rows, header=header, define_drivers=True)
    assert made.new_drivers == {"wheel_size": False, "colour": True}
    assert made.ignored == ["blank"]
    assert [s.drivers for s in made.sittings] == [{"wheel_size": 4.5, "colour": "red"}, {"colour": "blue"}]


def test_a_column_of_remarks_is_no_category() -> None:
    rows = [f"{ROW},remark {i}" for i in range(300)]
    made = log(*rows, header=HEADER + ",remark", define_drivers=True)
    assert made.new_drivers == {}
    assert made.ignored == ["remark"]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"  \n\n", "empty"),
        (b"\xef\xbb\xbf\r\n", "empty"),
        (HEADER.encode(), "no rows"),
        (b"job,job_type,stage,started_at\nJ1,Van,Print,x", "no column finished_at"),
        ((HEADER + ",Job\n").encode(), "column job is there twice"),
        ((HEADER + ",\n").encode(), "column 6 has no name"),
        ((HEADER + "\n" + ROW + "\nJ\xe4,V").encode("latin-1"), "line 3: the file is not UTF-8"),
        ((HEADER + "\n" + ROW).encode("utf-16"), "not UTF-8"),
        ((HEADER + '\n"J1,Van').encode(), "not a CSV file"),
        ((HEADER + "\nJ\x001").encode(), "NUL"),
    ],
)
def test_a_file_that_cannot_be_read_says_why(content: bytes, says: str) -> None:
    with pytest.raises(BadFile, match=says):
        read_csv(content)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_byte_order_mark_and_other_delimiters_are_read(delimiter: str) -> None:
    text = f"{HEADER}\r\n{ROW}\r\n".replace(",", delimiter)
    assert read_csv(text.encode("utf-8-sig")).rows == table(ROW).rows


def test_a_quoted_field_may_hold_commas_quotes_and_line_breaks() -> None:
    """RFC 4180, section 2: a quote is doubled inside a quoted field."""
    quoted = ROW.replace("J1", '"J1, the ""big""\r\none"')
    read = table(quoted, ROW)
    assert read.rows[0].values["job"] == 'J1, the "big"\r\none'
    assert read.rows[1].place == "line 4"


def test_a_file_of_another_kind_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "times.pdf"
    path.write_bytes(b"%PDF")
    with pytest.raises(BadFile, match=r"give a \.csv, \.xlsx or \.xes file"):
        read_table(path)
    with pytest.raises(BadFile, match="No such file"):
        read_table(path.with_suffix(".csv"))


def workbook(*rows: tuple[object, ...]) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def test_a_workbook_says_the_same_as_the_csv_file() -> None:
    content = workbook(
        (*HEADER.split(","), "pieces"),
        ("J1", "Van", "Print", datetime(2026, 3, 2, 9), datetime(2026, 3, 2, 10), 12),
        (None,) * 6,
        (7, "Van", "Print", "2026-03-02T09:00:00+00:00", "2026-03-02T10:00:00+00:00"),
    )
    read = read_log(read_xlsx(content), LONDON, STOCK)
    assert [s.job for s in read.sittings] == ["J1", "7"]
    assert [s.drivers for s in read.sittings] == [{"pieces": 12.0}, {}]
    assert read.sittings[0].started_at == read.sittings[1].started_at
    assert read.sittings[1].place == "sheet Sheet, row 4"


def test_what_is_no_workbook_is_refused() -> None:
    with pytest.raises(BadFile, match="no zip archive"):
        read_xlsx(b"PK nonsense")
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("hello.txt", "hello")
    with pytest.raises(BadFile, match="not an XLSX workbook"):
        read_xlsx(file.getvalue())


def test_sittings_of_one_stage_agree_add_up_or_take_the_largest() -> None:
    header = HEADER + ",pieces,area_m2,height_m,layers"
    rows = log(f"{ROW},5,2.5,3,1", f"{ROW},7,2.5,4,", header=header).sittings
    assert stage_values(rows) == {"pieces": 12.0, "area_m2": 2.5, "height_m": 4.0, "layers": 1.0}


def xes(*events: tuple[str, str, str], trace: str = "") -> bytes:
    """A log of one trace. events: stage, transition, time."""
    body = "".join(
        f'<event><string key="concept:name" value="{stage}"/>'
        f'<string key="lifecycle:transition" value="{transition}"/>'
        f'<string key="org:resource" value="Ann"/><date key="time:timestamp" value="2026-03-02T{at}:00Z"/></event>'
        for stage, transition, at in events
    )
    return (
        '<?xml version="1.0"?><log xes.version="1849-2016" xmlns="http://www.xes-standard.org/">'
        '<extension name="Lifecycle" prefix="lifecycle" uri="http://www.xes-standard.org/lifecycle.xesext"/>'
        '<string key="concept:name" value="Vans"/><trace><string key="concept:name" value="J1"/>'
        f"{trace}{body}</trace></log>"
    ).encode()


def spans(content: bytes) -> list[tuple[str, str, str]]:
    read = read_log(read_xes(content), LONDON, STOCK)
    return [(s.stage, f"{s.started_at:%H:%M}", f"{s.finished_at:%H:%M}") for s in read.sittings]


def test_the_standard_life_cycle_of_xes_gives_the_sittings() -> None:
    """IEEE Std 1849, lifecycle extension: suspend only from work in progress, resume only from suspended."""
    events = (
        ("Print", "schedule", "08:00"),
        ("Print", "start", "09:00"),
        ("Template", "start", "09:10"),
        ("Print", "suspend", "09:20"),
        ("Template", "complete", "09:30"),
        ("Print", "resume", "09:40"),
        ("Print", "complete", "10:00"),
    )
    assert spans(xes(*events)) == [
        ("Print", "09:00", "09:20"),
        ("Template", "09:10", "09:30"),
        ("Print", "09:40", "10:00"),
    ]


def test_a_trace_of_xes_is_a_job_with_its_type_and_drivers() -> None:
    trace = '<string key="job_type" value="Wall"/><float key="area_m2" value="4.5"/>'
    (sitting,) = read_log(
        read_xes(xes(("Print", "start", "09:00"), ("Print", "complete", "10:00"), trace=trace)), LONDON, STOCK
    ).sittings
    assert (sitting.job, sitting.job_type, sitting.person) == ("J1", "Wall", "Ann")
    assert sitting.drivers == {"area_m2": 4.5}
    (named,) = read_log(
        read_xes(xes(("Cut", "start", "09:00"), ("Cut", "complete", "09:05"))), LONDON, STOCK
    ).sittings
    assert named.job_type == "Vans"


def test_attributes_named_as_the_contracts_columns_take_no_ones_place() -> None:
    """A log that was made from a table may repeat its columns as attributes of each event, and of the trace."""
    log = xes(
        ("Print", "start", "09:00"), ("Print", "complete", "10:00"), trace='<string key="Machine" value="M"/>'
    )
    more = "".join(
        f'<string key="{key}" value="{value}"/>'
        for key, value in (("Job", "7"), ("Stage", "x"), ("Finished at", "x"), ("Machine", "Cutter"))
    )
    (sitting,) = read_log(
        read_xes(log.replace(b"<event>", b"<event>" + more.encode())), LONDON, STOCK
    ).sittings
    assert (sitting.job, sitting.stage, sitting.person, sitting.machine) == ("J1", "Print", "Ann", "Cutter")
    assert f"{sitting.finished_at:%H:%M}" == "10:00"
    (plain,) = read_log(read_xes(log), LONDON, STOCK).sittings
    assert plain.machine == ""


@pytest.mark.parametrize(
    ("events", "says"),
    [
        (
            [("Print", "start", "09:00"), ("Print", "resume", "09:10")],
            "event 2: resume of Print, which is running",
        ),
        (
            [("Print", "start", "09:00"), ("Print", "start", "09:10")],
            "event 2: start of Print, which is running",
        ),
        (
            [("Print", "start", "09:00"), ("Cut", "complete", "09:10")],
            "event 2: complete of Cut, which is not started",
        ),
        (
            [("Print", "start", "09:00"), ("Print", "suspend", "09:10"), ("Print", "complete", "09:20")],
            "event 3: complete of Print, which is suspended",
        ),
        ([("Print", "start", "09:00")], "Print was begun here and never completed"),
    ],
)
def test_a_broken_life_cycle_is_named(events: list[tuple[str, str, str]], says: str) -> None:
    with pytest.raises(BadFile, match=says):
        spans(xes(*events))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (xes(("Print", "complete", "09:00")), "no .*start|lifecycle:transition 'start'"),
        (b"<log", "not an XES log that can be read"),
        (b"<html></html>", "outermost element is <html>"),
        (
            b'<!DOCTYPE log [<!ENTITY a "aaaa">]><log><trace><string key="x" value="&a;"/></trace></log>',
            "not an XES log that can be read",
        ),
    ],
)
def test_what_is_no_usable_xes_log_is_refused(content: bytes, says: str) -> None:
    with pytest.raises(BadFile, match=says):
        read_xes(content)
