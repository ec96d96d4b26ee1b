"""Columns of a file: guessed from their names, read as chosen, and everything assumed is said."""

from __future__ import annotations

import io
import zipfile

import openpyxl
import pytest
from openpyxl.utils import get_column_letter

from jobs.importing.columns import KnownDriver, guessed, remembered, signature_of
from jobs.importing.problems import BadFile
from jobs.importing.reading import Reading, read_as, wrong_with
from jobs.importing.uploads import LARGEST, MOST_ROWS, Upload, read_upload

DRIVERS = [
    KnownDriver("area_m2", "Area", "m²"),
    KnownDriver("cut_m", "Cut path", "m"),
    KnownDriver("double_sided", "Double sided", is_yes_no=True),
    KnownDriver("film", "Film", is_category=True),
]
HEADER = "Job,Job type,Stage,Started at,Finished at"
ROW = "J1,Van,Print,2026-03-02T09:00Z,2026-03-02T10:00Z"


def upload(header: str, *rows: str, between: str = ",") -> Upload:
    return read_upload("\n".join((header, *rows)).replace("|", between).encode())


def read(file: Upload) -> Reading:
    columns = guessed(file.table, DRIVERS)
    assert wrong_with(file.table, columns, DRIVERS) == []
    return read_as(file, columns, DRIVERS)


@pytest.mark.parametrize(
    ("label", "reading"),
    [
        ("JOB", "job"),
        ("Order No.", "job"),
        ("job-type", "job_type"),
        ("Step", "stage"),
        ("Started  at", "started_at"),
        ("End (UTC)", "finished_at"),
        ("Hands-on [min]", "hands_on_min"),
        ("hands on [h]", ""),  # hours are not minutes
        ("Who", "person"),
        ("area_m2", "driver:area_m2"),
        ("AREA [m2]", "driver:area_m2"),
        ("Area (m²)", "driver:area_m2"),
        ("Area [cm²]", ""),
        ("cut path", "driver:cut_m"),
        ("Film", "driver:film"),
        ("Estimate (min)", "driver:planned_min"),
        ("Something", ""),
    ],
)
def test_a_column_is_guessed_from_its_name_whatever_its_case_spaces_and_unit(
    label: str, reading: str
) -> None:
    assert next(iter(guessed(upload(f"{label},Note", ",a").table, DRIVERS).values())) == reading


def test_of_two_columns_with_one_meaning_the_first_has_it() -> None:
    assert guessed(upload("Start,Started", "a,b", "c,d", "e,f").table, []) == {
        "Start": "started_at",
        "Started": "",
    }


@pytest.mark.parametrize(
    ("values", "reading"),
    [
        (["4", "2.5", "4"], "new quantity"),
        (["4,5", "2", "3"], "new quantity"),
        (["red", "red", "blue", "blue"], "new category"),
        (["1", "2", "3", "4"], ""),  # a running number
        (["-1", "4", "2"], ""),  # no amount of work
        (["see John", "call back", "done twice"], ""),  # remarks
        (["", ""], ""),
    ],
)
def test_other_columns_are_guessed_from_what_they_hold(values: list[str], reading: str) -> None:
    file = upload("Job;Thing", *(f"J;{value}" for value in values))
    assert guessed(file.table, [])["Thing"] == reading


def test_a_renamed_table_is_what_the_import_reads() -> None:
    file = upload(
        f"{HEADER},Wheel size [mm],Colour", f"{ROW},40,red", f"{ROW},41,red", f"{ROW},40,blue", f"{ROW},,blue"
    )
    reading = read(file)
    assert reading.table.columns == (
        "job",
        "job_type",
        "stage",
        "started_at",
        "finished_at",
        "wheel_size",
        "colour",
    )
    assert [(d.key, d.name, d.unit, d.is_category) for d in reading.new] == [
        ("wheel_size", "Wheel size", "mm", False),
        ("colour", "Colour", "", True),
    ]
    assert reading.table.rows[0].values["wheel_size"] == "40"
    assert reading.labels["wheel_size"] == "Wheel size [mm]"
    assert reading.notes == ()


def test_a_new_quantity_has_a_name_that_can_be_seen() -> None:
    reading = read(upload(f"{HEADER},_,___", f"{ROW},1,4", f"{ROW},3,9"))
    assert [driver.name for driver in reading.new] == ["_", "___"]


def test_what_is_left_out_is_gone_and_what_is_wrong_is_named() -> None:
    file = upload(f"{HEADER},Area,Size", f"{ROW},1,2")
    columns = {**guessed(file.table, DRIVERS), "Size": "driver:area_m2", "Stage": ""}
    assert wrong_with(file.table, columns, DRIVERS) == [
        "No column is read as stage. Choose the one that says it.",
        "2 columns are read as area. Leave out all but one.",
    ]
    fine = read_as(file, {**columns, "Stage": "stage", "Size": ""}, DRIVERS)
    assert "Size" not in fine.labels.values()


def test_a_column_of_remarks_cannot_be_a_category() -> None:
    file = upload(f"{HEADER},Note", *(f"{ROW},note {i}" for i in range(300)))
    columns = {**guessed(file.table, []), "Note": "new category"}
    (wrong,) = wrong_with(file.table, columns, [])
    assert "300 different words" in wrong


def test_yes_and_no_are_one_and_nought() -> None:
    file = upload(
        f"{HEADER},Double sided", *(f"{ROW},{word}" for word in ("yes", "No", "x", "TRUE", "", "maybe"))
    )
    values = [row.values["double_sided"] for row in read(file).table.rows]
    assert values == ["1", "0", "1", "1", "", "maybe"]


@pytest.mark.parametrize(
    ("between", "values", "read_out", "said"),
    [
        (";", ["4,25", "2"], ["4.25", "2"], True),
        (";", ["1,500", "2"], ["1.500", "2"], True),  # with semicolons a comma is no other thing
        ("\t", ["4,25", "1,500"], ["4.25", "1.500"], True),
        ("\t", ["1,500", "2"], ["1,500", "2"], False),  # fifteen hundred, perhaps
        (";", ["1,500.5", "2"], ["1,500.5", "2"], False),
    ],
)
def test_decimal_commas_are_read_and_said(
    between: str, values: list[str], read_out: list[str], said: bool
) -> None:
    rows = [f"{ROW},".replace(",", between) + value for value in values]
    file = read_upload("\n".join([f"{HEADER},Area".replace(",", between), *rows]).encode())
    reading = read(file)
    assert [row.values["area_m2"] for row in reading.table.rows] == read_out
    assert ("Commas in Area were read as decimal commas." in reading.notes) is said


@pytest.mark.parametrize(
    ("encoding", "said"),
    [
        ("utf-8", ""),
        ("utf-8-sig", ""),
        ("utf-16", "UTF-16"),
        ("utf-16-le", "UTF-16"),
        ("latin-1", "Western European"),
    ],
)
def test_the_usual_encodings_are_read_and_said(encoding: str, said: str) -> None:
    file = read_upload(f"{HEADER}\n{ROW.replace('Van', 'Schütze')}".encode(encoding))
    assert file.table.columns == tuple(HEADER.split(","))
    assert file.table.rows[0].values["Job type"] == "Schütze"
    assert any(said in note for note in file.notes) if said else not file.notes


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        *((b, "empty") for b in (b"\xef\xbb\xbf\r\n", b"\xff\xfe", "\r\n".encode("utf-16"))),
        (b"\xd0\xcf\x11\xe0rest", r"old binary form \(\.xls\)"),
        (b"\x1f\x8brest", "gzip"),
        (b"%PDF-1.4", "a PDF"),
        (b"x" * (LARGEST + 1), "21 MB, and a page takes 20 MB"),
        (b"a,b\n1,2\x00", "NUL"),
        (b"\xff\xfea\x00,\x00b", "does not go on as such|no rows"),
        ((",".join(f"c{i}" for i in range(201)) + "\n" + "," * 200 + "x").encode(), "201 columns"),
        (b"a\n" + b"1\n" * (MOST_ROWS + 1), f"more than {MOST_ROWS:,} rows"),
        (b"<html/>", "not an XES log"),
        (b'<!DOCTYPE log [<!ENTITY a "aa">]><log>&a;</log>', "not an XES log that can be read"),
        (b'<?xml version="1.0" encoding="nonesuch"?><log/>', "not an XES log that can be read"),
        (b'<?xml version="1.0" encoding="shift_jis"?><log/>', "not an XES log that can be read"),
        (b"PK\x03\x04nonsense", "not an XLSX workbook"),
    ],
)
def test_what_cannot_be_read_is_refused_with_what_to_do(content: bytes, says: str) -> None:
    with pytest.raises(BadFile, match=says):
        read_upload(content)


def test_nameless_and_double_columns_are_told_apart() -> None:
    assert upload("Job,,Job", "a,b,c").table.columns == ("Job", "column 2", "Job (3)")
    assert len(set(upload("Job,Job (3),Job", "a,b,c").table.columns)) == 3


def test_a_log_of_the_standard_in_utf_16_is_read_as_one() -> None:
    """XML 1.0, 4.3.3: every processor must be able to read UTF-16."""
    events = "".join(
        f'<event><string key="concept:name" value="Print"/><string key="lifecycle:transition" value="{what}"/>'
        f'<date key="time:timestamp" value="2026-03-02T{at}:00Z"/></event>'
        for what, at in (("start", "09:00"), ("complete", "10:00"))
    )
    log = f'<?xml version="1.0" encoding="UTF-16"?><log><trace>{events}</trace></log>'
    file = read_upload(log.encode("utf-16"))
    assert (file.kind, len(file.table.rows)) == ("XES", 1)


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("[Content_Types].xml", b"spreadsheetml.sheet.main", b"wordprocessingml.document.main"),
        ("xl/styles.xml", b"numFmtId", b"numFmtIx"),
    ],
)
def test_a_text_document_and_a_damaged_workbook_are_refused(name: str, old: bytes, new: bytes) -> None:
    book, whole, other = openpyxl.Workbook(), io.BytesIO(), io.BytesIO()
    book.active.append(HEADER.split(","))
    book.save(whole)
    with zipfile.ZipFile(whole) as one, zipfile.ZipFile(other, "w") as two:
        for each in one.namelist():
            content = one.read(each)
            assert each != name or old in content
            two.writestr(each, content.replace(old, new) if each == name else content)
    with pytest.raises(BadFile, match="not an XLSX workbook"):
        read_upload(other.getvalue())


def test_a_zip_bomb_is_refused_before_it_is_unpacked() -> None:
    file = io.BytesIO()
    with (
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet,
    ):
        for _ in range(300):
            sheet.write(b" " * 1024 * 1024)
    assert len(file.getvalue()) < LARGEST / 10
    with pytest.raises(BadFile, match="unpacks to"):
        read_upload(file.getvalue())


def test_a_sheet_that_lies_about_its_size_is_read_by_what_it_holds() -> None:
    book = openpyxl.Workbook()
    book.active.append(HEADER.split(","))
    book.active.append(ROW.split(","))
    whole = io.BytesIO()
    book.save(whole)
    lying = io.BytesIO()
    with zipfile.ZipFile(whole) as old, zipfile.ZipFile(lying, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                there = f'ref="A1:{get_column_letter(5)}2"'.encode()
                assert there in content
                content = content.replace(there, b'ref="A1:XFD1048576"')
            new.writestr(name, content)
    table = read_upload(lying.getvalue()).table
    assert (table.columns, len(table.rows)) == (tuple(HEADER.split(",")), 1)


def test_a_layout_is_remembered_by_its_names_in_order() -> None:
    assert signature_of(["a", "b"]) == signature_of(("a", "b"))
    assert len({signature_of(labels) for labels in (["a", "b"], ["b", "a"], ["a,b"], ["a", "B"])}) == 4
    kept = {"a": "job", "b": "driver:film", "c": "driver:gone", "d": "new quantity"}
    assert remembered(["a", "b", "c", "d", "e"], kept, DRIVERS) == {
        "a": "job",
        "b": "driver:film",
        "c": "",
        "d": "new quantity",
        "e": "",
    }
