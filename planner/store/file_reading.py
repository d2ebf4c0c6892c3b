"""Files as people send them, read into plain rows: CSV in UTF-8, or XLSX. Says clearly why a file cannot be read.

Nothing is interpreted here: text stays text, a formula is marked as one.
"""

from __future__ import annotations

import codecs
import csv
import io
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from planner.errors import InputError

MOST_BYTES = 50_000_000
MOST_ROWS = 10_000
MOST_COLUMNS = 200
_MOST_UNPACKED_BYTES = 4 * MOST_BYTES
_SPREADSHEET = "an .xlsx spreadsheet that opens in a spreadsheet program, or a CSV"
_OLD_SPREADSHEET = bytes.fromhex("d0cf11e0a1b11ae1")


@dataclass(frozen=True)
class Formula:
    """A spreadsheet cell that holds a formula or an error where a value is wanted."""

    said: str

    def __str__(self) -> str:
        return self.said


@dataclass(frozen=True)
class RawTable:
    """Headings and rows of a file; each row with its number as a spreadsheet counts (headings stand in row 1).

    ``left`` names the sheets of a workbook that were not read."""

    headings: tuple[Any, ...]
    rows: tuple[tuple[int, tuple[Any, ...]], ...]
    kind: str
    left: tuple[str, ...] = ()


def read_table(data: bytes, filename: str = "", sheet: str | None = None, most_rows: int = MOST_ROWS) -> RawTable:
    """Headings and rows of a CSV or XLSX file, blank rows left out. Of a workbook's sheets the first that is shown, or
    the one named ``sheet``.

    Raises `InputError` with field "file": empty, more than `MOST_BYTES` (said before anything is parsed), not a CSV or
    XLSX, in another encoding than UTF-8, more than ``most_rows`` rows, or without a row below the headings.
    """
    if len(data) >= MOST_BYTES:
        raise InputError("file", f"{len(data) / 1e6:.0f} MB", f"a file below {MOST_BYTES / 1e6:.0f} MB; split it")
    if not data.strip(b"\0 \t\r\n\xef\xbb\xbf"):
        raise InputError("file", "empty", "a file with headings and at least one row")
    if data.startswith(_OLD_SPREADSHEET):
        raise InputError(
            "file", filename or "a spreadsheet", "a spreadsheet saved as .xlsx without a password, or a CSV"
        )
    if data.startswith(b"PK\x03\x04"):
        table, left = _spreadsheet(data, sheet)
        kind = "XLSX"
    elif filename.lower().endswith(".xlsx"):
        raise InputError("file", "no spreadsheet, whatever its name says", _SPREADSHEET)
    else:
        table, kind, left = _comma_separated(data), "CSV", ()
    numbered = []
    for number, row in table:
        if len(numbered) > most_rows:
            raise InputError("file", f"more than {most_rows} rows", f"at most {most_rows} rows; split it")
        if any(cell is not None and str(cell).strip() for cell in row):
            if len(row) > MOST_COLUMNS:
                raise InputError("file", f"{len(row)} columns in row {number}", f"at most {MOST_COLUMNS} columns")
            numbered.append((number, tuple(row)))
    if not numbered:
        raise InputError("file", "empty", "a file with headings and at least one row")
    (_, headings), rows = numbered[0], numbered[1:]
    if not rows:
        raise InputError("file", "headings only", "at least one row below the headings")
    return RawTable(headings, tuple(rows), kind, left)


def _comma_separated(data: bytes) -> Iterator[tuple[int, Sequence[str]]]:
    said = _decoded(data)
    first = next((line for line in said.splitlines() if line.strip()), "")
    # the headings hold no such sign themselves, so the commonest is the delimiter
    delimiter = max((",", ";", "\t"), key=lambda sign: (_outside_quotes(first, sign), sign == ","))
    reader = csv.reader(io.StringIO(said, newline=""), delimiter=delimiter, strict=True)
    last = 0
    try:
        for row in reader:
            # a quoted cell may run over lines: a spreadsheet counts it as one row
            last += 1
            yield last, row
    except csv.Error as error:
        raise InputError("file", f"row {last + 1}: {error}", "cells in which every opened quote is closed") from None


def _outside_quotes(line: str, sign: str) -> int:
    return sum(part.count(sign) for part in line.split('"')[::2])


def _decoded(data: bytes) -> str:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\0" in data[:4000]:
        raise InputError("file", "encoded as UTF-16, or not text", "a CSV saved as UTF-8, or an .xlsx")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        found = f"row {row} holds the byte {data[error.start]:#04x}, which is not UTF-8 (Latin-1 or Windows text?)"
        raise InputError("file", found, "a CSV saved as UTF-8, or an .xlsx") from None


def _spreadsheet(data: bytes, sheet: str | None) -> tuple[Iterator[tuple[int, Sequence[Any]]], tuple[str, ...]]:
    """Rows of one sheet, and the names of the others."""
    from openpyxl import load_workbook

    wanted = _SPREADSHEET
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unpacked = sum(entry.file_size for entry in packed.infolist())
            if "[Content_Types].xml" not in packed.namelist():
                raise InputError("file", "a zip archive", wanted)
        if unpacked > _MOST_UNPACKED_BYTES:
            raise InputError(
                "file", f"{unpacked / 1e6:.0f} MB unpacked", f"at most {_MOST_UNPACKED_BYTES / 1e6:.0f} MB; split it"
            )
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
    except InputError:
        raise
    except Exception as error:  # whatever a broken archive makes the reader stumble over
        raise InputError("file", f"damaged ({type(error).__name__})", wanted) from None
    if sheet is not None and sheet not in book.sheetnames:
        raise InputError("sheet", sheet, "one of " + ", ".join(book.sheetnames))
    # what a person does not see in the workbook is not what the person means to hand over
    shown = [page for page in book.worksheets if page.sheet_state == "visible"]
    if sheet is None and not shown:
        raise InputError("file", "a workbook without a table that is shown", wanted)
    page = book[sheet] if sheet is not None else shown[0]
    return _rows(book, page), tuple(name for name in book.sheetnames if name != page.title)


def _rows(book: Any, page: Any) -> Iterator[tuple[int, Sequence[Any]]]:
    page.reset_dimensions()  # the stated size may be wrong
    try:
        for number, row in enumerate(page.iter_rows(), start=1):
            yield number, [_cell(cell) for cell in row]
    except InputError:
        raise
    except Exception as error:
        raise InputError("file", f"damaged ({type(error).__name__})", _SPREADSHEET) from None
    finally:
        book.close()


def _cell(cell: Any) -> Any:
    if cell.data_type in ("f", "e"):
        return Formula(str(cell.value))
    return cell.value
