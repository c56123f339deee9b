"""Writes a clinic's rows in its own form: the way back from what its mapping makes of them."""

import shutil
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import polars as pl
import xlsxwriter

from ingest.contract import TEMPERATURES, Column, Kind, Type
from ingest.mapping import AS_CONTRACT, UNITS, KindMapping, parse_mapping
from synthetic_data.parameters import FileFormat, InventedSite, Parameters

MAPPINGS = Path(__file__).with_name("mappings")
DIGITS = 9  # after the point: enough to come back to six in another unit
FIRST_DAY_OF_SHEETS = date(1900, 3, 1)  # before it, spreadsheets count a day that never was
MADE_ON = datetime(2026, 1, 1)  # so that a workbook's bytes are the same whenever it is made
RECORD = pl.col("outcome_id").str.extract(r"^([^-]*)-")
WIDE_ROW = ("outcome_id", "patient_id", "assessed_date", "timing")  # what a wide row says once


@dataclass(frozen=True)
class OwnForm:
    """How a clinic writes one kind: the file's format, and what its mapping says of it."""

    kind: Kind
    file_format: FileFormat
    mapping: KindMapping

    def places(self, rows: pl.DataFrame, first: int) -> pl.Series:
        """`row`, in which each row stands in the file, whose first one is `first`."""
        if not self.mapping.wide:
            return pl.int_range(first, first + rows.height, eager=True).alias("row")
        whole = rows.select(
            *WIDE_ROW[1:],
            record=RECORD,
            again=pl.int_range(pl.len()).over(*WIDE_ROW[1:], RECORD, "measure", "eye"),
        )
        numbered = whole.unique(maintain_order=True).with_row_index("row", first)
        joined = whole.join(
            numbered, on=whole.columns, how="left", nulls_equal=True, maintain_order="left"
        )
        return joined["row"].cast(pl.Int64)

    def written(self, placed: pl.DataFrame) -> pl.DataFrame:
        """Rows of the contract with their `row`, as the file has them."""
        if self.mapping == AS_CONTRACT:
            return placed.drop("row")
        return in_own_form(placed, self.kind, self.mapping)


def form_of(site: InventedSite, kind: Kind, *, own_forms: bool) -> OwnForm:
    """A clinic's own form where it has one and uses it; temperature logs are the contract's."""
    if not own_forms or site.own_format is None or kind is TEMPERATURES:
        return OwnForm(kind, site.file_format, AS_CONTRACT)
    path = MAPPINGS / f"{site.code}.toml"
    return OwnForm(kind, site.own_format, parse_mapping(path.read_bytes(), path).of(kind))


def write_mappings(folder: Path, parameters: Parameters) -> None:
    """The mapping of each clinic that has a form of its own."""
    folder.mkdir(exist_ok=True)
    for site in parameters.sites:
        if site.own_format:
            shutil.copyfile(MAPPINGS / f"{site.code}.toml", folder / f"{site.code}.toml")


def with_ids_of_wide_rows(outcomes: pl.DataFrame, clean: pl.DataFrame) -> pl.DataFrame:
    """Outcomes whose ids a wide table can give: a record's, the measure's and the eye's.

    Values that share patient, day and timing among the `clean` rows share a record; one that comes
    again there has another.
    """
    once = list(WIDE_ROW[1:])
    own = (
        clean.unique("outcome_id", keep="first", maintain_order=True)
        .with_columns(again=pl.int_range(pl.len()).over(*once, "measure", "eye"))
        .select(
            "outcome_id",
            record=pl.col("outcome_id").first().over(*once, "again"),
        )
    )
    return (
        outcomes.join(own, on="outcome_id", how="left", maintain_order="left")
        .with_columns(
            outcome_id=pl.concat_str(
                pl.coalesce("record", "outcome_id"), "measure", "eye", separator="-"
            )
        )
        .drop("record")
    )


def in_own_form(rows: pl.DataFrame, kind: Kind, mapping: KindMapping) -> pl.DataFrame:
    """Rows of the contract, all text, with `row`, as the file has them."""
    known = {column.name: column for column in kind.columns}
    if mapping.wide:
        rows = _wide(rows, mapping)
    return rows.select(
        _in_own_words(pl.col(name), known[name], mapping).alias(_own_name(name, mapping))
        if name in known
        else _in_own_words(pl.col(name), known["value"], mapping)
        if name in mapping.wide
        else pl.col(name)
        for name in rows.columns
        if name != "row"
    )


def _own_name(name: str, mapping: KindMapping) -> str:
    return mapping.columns.get(name, (name,))[0]


def _in_own_words(cell: pl.Expr, column: Column, mapping: KindMapping) -> pl.Expr:
    if column.name in mapping.units:
        unit = UNITS[column.unit or ""][mapping.units[column.name]]
        number = cell.cast(pl.Float64, strict=False)
        value = (number * unit.over / unit.times + unit.offset).round(DIGITS)
        cell = pl.coalesce(value.cast(pl.String), cell)
    words = {code: word for word, code in mapping.codes.get(column.name, {}).items()}
    if column.type is Type.YES_NO and mapping.yes:
        words = {"yes": mapping.yes[0], "no": mapping.no[0]}
    if words:
        cell = cell.replace(words)
    if column.type is Type.DATE and mapping.strptime:
        day = cell.str.to_date("%Y-%m-%d", strict=False)
        cell = pl.coalesce(day.dt.to_string(mapping.strptime), cell)
    if column.type in (Type.DECIMAL, Type.INTEGER) and mapping.decimal == ",":
        cell = cell.str.replace(".", ",", literal=True)
    return cell


def _wide(rows: pl.DataFrame, mapping: KindMapping) -> pl.DataFrame:
    """One row for all rows of one place, with a column for each measure and eye."""
    values = [
        pl.col("value").filter(measure=column.measure, eye=column.of_eye).first().alias(name)
        for name, column in mapping.wide.items()
    ]
    once = [pl.col(name).first() for name in WIDE_ROW[1:]]
    record = RECORD.first().alias(WIDE_ROW[0])
    return rows.group_by("row").agg(record, *once, *values).sort("row")


def write_workbook(path: Path, rows: pl.DataFrame, sheet: str | None) -> None:
    """A workbook of one sheet; days and numbers are cells of their own type."""
    with xlsxwriter.Workbook(path) as book:
        book.set_properties({"created": MADE_ON})
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        page = book.add_worksheet(sheet)
        page.write_row(0, 0, rows.columns)
        for position, column in enumerate(rows.iter_columns()):
            typed = zip(column, _days(column), _numbers(column), strict=True)
            for row, (text, its_day, number) in enumerate(typed, start=1):
                if its_day is not None:
                    page.write_datetime(row, position, its_day, day)
                elif number is not None:
                    page.write_number(row, position, number)
                elif text is not None:
                    page.write_string(row, position, text)


def _days(texts: pl.Series) -> pl.Series:
    days = texts.str.to_date("%Y-%m-%d", strict=False)
    return days.set(days < FIRST_DAY_OF_SHEETS, None)


def _numbers(texts: pl.Series) -> pl.Series:
    return texts.cast(pl.Float64, strict=False)
