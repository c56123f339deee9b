"""Applies a mapping: a file's own columns, words and units become the contract's, as text.

What a mapping does not speak of stays as it is, and so does a value that cannot be read in the way
it says: the checks judge both.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache, reduce

import polars as pl

from ingest.contract import Column, Kind, Type
from ingest.mapping import OF_WIDE, UNITS, KindMapping, SkipRule
from ingest.raw import Block, Raw, UnusableFileError, folded
from ingest.tables import Table

MOST_COLUMNS = 2_000
PLANS_KEPT = 64
JOINED_BY = "-"  # several cells in one
FIRST_YEAR_OF_FOUR_DIGITS = 1000
DIGITS = 6  # after the point, as numbers are stored
TRUE_FALSE = {"true": "yes", "false": "no"}  # as a spreadsheet's cells say it
A_LOOK = 200  # rows of a block that show how its dates and numbers are written
FEWEST = 3  # values that show it; of fewer, each is judged by itself
LINE_BREAK = r"[\r\n]"
ISO_MOMENT = r"^(\d{4}-\d{2}-\d{2})[T ]\d{2}:\d{2}"
IN_TWO_WAYS = {
    Type.DATE: (
        r"^\d{1,2}[./-]\d{1,2}[./-]\d{4}",
        'has dates such as 03/04/2026, which can be of March or of April; say dates = "dd/mm/yyyy" '
        'or "mm/dd/yyyy", with the mark that they have,',
    ),
    Type.DECIMAL: (
        r"^[+-]?\d+,\d+$",
        "has numbers such as 1,234, whose comma can be of decimals or of thousands; say "
        'decimal = ","',
    ),
}


@dataclass(frozen=True)
class _Header:
    """What of a file decides how it is read: as `Raw` has it."""

    names: tuple[str, ...]
    typed: frozenset[str]
    mixed: bool
    found_by: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """How a file's blocks become the contract's: made from its header, once for all that share it.

    `cells` are the columns that the file gives, as expressions over its cells; of a wide table
    without those that its `wide` columns (position -> measure and eye) tell. `doubtful` columns
    have a type whose values can be written in two ways, and the mapping does not say in which.
    """

    kind: Kind
    where: str
    cells: tuple[pl.Expr, ...]
    wide: Mapping[str, tuple[str, str]]
    others: tuple[tuple[str, str], ...]  # the file's own names, each with its position
    doubtful: tuple[tuple[str, str, Type], ...]  # the file's name, the column of the cells
    skip: pl.Expr | None
    skip_line: pl.Expr | None

    def block(self, raw: Raw) -> Block:
        """A part of the file in the contract's shape.

        Raises:
            UnusableFileError: values that can be read in two ways, a row with a formula, a row
                that runs over several lines.
        """
        raw_cells, ragged = raw.cells, raw.ragged
        if self.skip is not None:
            raw_cells = raw_cells.filter(~_whether(self.skip, raw_cells))
        if self.skip_line is not None:
            ragged = ragged.filter(~self.skip_line)
        skipped = raw.cells.height - raw_cells.height + raw.ragged.height - ragged.height
        _refuse_formulas(raw, raw_cells)
        cells = self._cells(raw_cells)
        self._refuse_doubtful(cells)
        if cells.values(self.kind.grain[0]).has_nulls():
            filled = [_cleaned(str(n)).is_not_null() for n in range(len(raw.names))]
            cells = cells.filter(_whether(pl.any_horizontal(filled), raw_cells))
        others = tuple((name, cells.column(position)) for name, position in self.others)
        table = Table.of(_long(cells.frame(), self.wide)) if self.wide else cells
        table = table.worked_out([], ["source_row", *(column.name for column in self.kind.columns)])
        if raw.quoted:
            _refuse_line_breaks(table, ragged)
        return Block(table, ragged, others, raw.read_as, skipped)

    def leaves_doubt(self, table: Table) -> bool:
        """Whether any value at all of rows in the contract's shape can be read in two ways."""
        return any(
            table.values(column).str.contains(IN_TWO_WAYS[type_][0]).any()
            for _, column, type_ in self.doubtful
        )

    def _cells(self, raw_cells: Table) -> Table:
        """The columns that the file gives, and its others."""
        others = [_cleaned(position) for _, position in self.others]
        names = [one.meta.output_name() for one in (*self.cells, *others)]
        return raw_cells.worked_out([[*self.cells, *others]], ["source_row", *names])

    def _refuse_doubtful(self, cells: Table) -> None:
        few = cells.head(A_LOOK)
        for name, column, type_ in self.doubtful:
            pattern, what_to_say = IN_TWO_WAYS[type_]
            values = few.column(column).drop_nulls()
            found = int(values.str.contains(pattern).sum())
            if found >= FEWEST and 2 * found > values.len():
                raise UnusableFileError(f"The column {name} {what_to_say} in {self.where}.")


def plan(raw: Raw, kind: Kind, mapping: KindMapping, where: str) -> Plan:
    """How a file with this header is read; `where` names the mapping's file in messages.

    Raises:
        UnusableFileError: a column is missing or stands in it twice, or there are too many.
    """
    header = _Header(raw.names, raw.typed, raw.mixed, raw.found_by)
    return _plan(header, kind, mapping, where)


def refuse_many_columns(columns: int, most: int) -> None:
    """Refuse a file with more columns.

    Raises:
        UnusableFileError: telling how many it has.
    """
    if columns > most:
        raise UnusableFileError(f"It has {columns:,} columns, more than {most:,}; export fewer.")


@lru_cache(maxsize=PLANS_KEPT)
def _plan(header: _Header, kind: Kind, mapping: KindMapping, where: str) -> Plan:
    names = tuple(folded(name) for name in header.names)
    refuse_many_columns(len(names), MOST_COLUMNS)
    if not any(names):
        raise UnusableFileError(
            "Its first line is empty, where the header should stand; remove the line."
        )
    for fault in _faults_of_header(names, kind, mapping, where, header.found_by):
        raise UnusableFileError(fault)
    place = {name: str(position) for position, name in enumerate(names)}
    sources = _sources(names, kind, mapping)
    wide = {
        place[folded(name)]: (column.measure, column.of_eye)
        for name, column in mapping.wide.items()
    }
    used = {place[name] for given in sources.values() for name in given} | set(wide)
    cells, doubtful = [], []
    for column in kind.columns:
        places = [place[name] for name in sources.get(column.name, ())]
        if not mapping.wide or column.name not in OF_WIDE:
            cells.append(_cell(column, places, mapping, header).alias(column.name))
            if places:
                doubtful.append((sources[column.name][0], column.name, column.type, places[0]))
    for position in wide:
        cells.append(_cell(kind.column("value"), [position], mapping, header).alias(position))
        doubtful.append((names[int(position)], position, Type.DECIMAL, position))
    told = {Type.DATE: mapping.dates, Type.DECIMAL: mapping.decimal}
    return Plan(
        kind,
        where,
        tuple(cells),
        wide,
        tuple((name, str(n)) for n, name in enumerate(names) if str(n) not in used),
        tuple(
            (name, column, type_)
            for name, column, type_, position in doubtful
            if type_ in told and told[type_] is None and position not in header.typed
        ),
        _any_of(
            _skips(rule, place[folded(rule.column)] if rule.column else "0")
            for rule in mapping.skip
        ),
        _any_of(_skips_line(rule) for rule in mapping.skip if rule.column is None),
    )


def fits(header: list[str], kind: Kind, mapping: KindMapping) -> bool:
    """Whether a header has all that is needed, once each."""
    return not list(_faults_of_header(tuple(map(folded, header)), kind, mapping, ""))


def _faults_of_header(
    names: tuple[str, ...],
    kind: Kind,
    mapping: KindMapping,
    where: str,
    found_by: tuple[str, ...] = (),
) -> Iterator[str]:
    sources = _sources(names, kind, mapping)
    mapped = [
        *(
            (name, f"columns.{column}")
            for column, given in mapping.columns.items()
            for name in given
        ),
        *((name, "wide") for name in mapping.wide),
        *((rule.column, "skip") for rule in mapping.skip if rule.column),
    ]
    given_names = {name for given in sources.values() for name in given}
    if given_names.union(folded(name) for name, _ in mapped).isdisjoint(names):
        example = mapped[0][0] if mapped else kind.columns[0].name
        if found_by:
            yield (
                f"Its row {mapping.header_row} names no column of {kind.name}, so it is no header; "
                f"put the header there, such as {example},..., or correct {' or '.join(found_by)} "
                f"in {where}."
            )
        else:
            yield (
                f"It has no column of {kind.name}; name its columns as the contract does, such as "
                f"{example},..., or say under {kind.name}.columns in {where} which is which."
            )
    for column in kind.columns:
        needed = column.required and not (
            (mapping.wide and column.name in OF_WIDE)
            or (mapping.default_eye and column.name == "eye")
        )
        if needed and column.name not in sources:
            yield f"The required column {column.name} is missing; add it and export again."
        if column.name not in mapping.columns and names.count(column.name) > 1:
            yield f"The column {column.name} stands in it twice; leave one out."
    for name, told_in in mapped:
        count = names.count(folded(name))
        if count == 0:
            yield (
                f"The column {name} is missing; export it again, or correct "
                f"{kind.name}.{told_in} in {where}."
            )
        if count > 1:
            yield f"The column {name} stands in it twice; leave one out."


def _sources(
    names: tuple[str, ...], kind: Kind, mapping: KindMapping
) -> dict[str, tuple[str, ...]]:
    """The file's columns that each of the contract's is made of, as far as it has any."""
    own = {column.name: (column.name,) for column in kind.columns if column.name in names}
    mapped = {column: tuple(map(folded, given)) for column, given in mapping.columns.items()}
    return own | mapped


def _cell(column: Column, places: list[str], mapping: KindMapping, header: _Header) -> pl.Expr:
    """A column of the contract, as text, from the file's columns at these places."""
    if places:
        cell = _joined(places)
        if mapping.empty:
            words = [word.lower() for word in mapping.empty]
            cell = pl.when(~cell.str.to_lowercase().is_in(words)).then(cell)
        cell = _translated(cell, column, mapping, header)
        if not header.typed.issuperset(places):
            cell = _rewritten(cell, column, mapping, header.mixed)
        cell = _in_unit(cell, column, mapping)
    else:
        cell = pl.lit(None, pl.String)
    if column.name == "eye" and mapping.default_eye:
        cell = cell.fill_null(mapping.default_eye)
    return cell


def _joined(places: list[str]) -> pl.Expr:
    if len(places) == 1:
        return _cleaned(places[0])
    return pl.concat_str([_cleaned(place) for place in places], separator=JOINED_BY)


def _translated(cell: pl.Expr, column: Column, mapping: KindMapping, header: _Header) -> pl.Expr:
    """The clinic's words as the contract's; any other word stays."""
    words = mapping.codes.get(column.name, {})
    if column.type is Type.YES_NO:
        words = TRUE_FALSE if header.mixed else {}
        words = words | dict.fromkeys(mapping.yes, "yes") | dict.fromkeys(mapping.no, "no")
    if not words:
        return cell
    known = {folded(word): code for word, code in words.items()}
    return cell.str.to_lowercase().replace_strict(known, default=cell, return_dtype=pl.String)


def _rewritten(cell: pl.Expr, column: Column, mapping: KindMapping, mixed: bool) -> pl.Expr:
    """Dates in ISO order and numbers with a point. Where the comma is of decimals, a point is not:
    the two change places, so that 1.234,5 stays unreadable."""
    if column.type is Type.DATE and mapping.strptime:
        moment = cell.str.to_datetime(mapping.strptime, strict=False, time_unit="us")
        of_four_digits = moment.dt.year() >= FIRST_YEAR_OF_FOUR_DIGITS
        days = [pl.when(of_four_digits).then(moment.dt.to_string("%Y-%m-%d")), cell]
        if mapping.has_time:
            days.insert(1, cell.str.extract(ISO_MOMENT))
        return pl.coalesce(days)
    if column.type in (Type.DECIMAL, Type.INTEGER) and mapping.decimal == ",":
        swapped = cell.str.replace_many([",", "."], [".", ","])
        if mixed:  # a cell that is a number has a point
            return pl.when(cell.str.contains(",", literal=True)).then(swapped).otherwise(cell)
        return swapped
    return cell


def _in_unit(cell: pl.Expr, column: Column, mapping: KindMapping) -> pl.Expr:
    """A number in the contract's unit."""
    if column.name not in mapping.units:
        return cell
    unit = UNITS[column.unit or ""][mapping.units[column.name]]
    number = cell.cast(pl.Float64, strict=False)
    value = ((number - unit.offset) * unit.times / unit.over).round(DIGITS).cast(pl.String)
    return pl.when(number.is_finite()).then(value).otherwise(cell)


def _long(cells: pl.DataFrame, wide: Mapping[str, tuple[str, str]]) -> pl.DataFrame:
    """One row for each filled cell of the wide columns, in the file's order."""
    told = [name for name in cells.columns if not name.isdigit()]
    measures = {position: measure for position, (measure, _) in wide.items()}
    eyes = {position: eye for position, (_, eye) in wide.items()}
    return (
        cells.lazy()
        .unpivot(list(wide), index=told, variable_name="position", value_name="value")
        .drop_nulls("value")
        .sort("source_row", maintain_order=True)
        .with_columns(
            measure=pl.col("position").replace_strict(measures, return_dtype=pl.String),
            eye=pl.col("position").replace_strict(eyes, return_dtype=pl.String),
        )
        .with_columns(outcome_id=pl.concat_str("outcome_id", "measure", "eye", separator=JOINED_BY))
        .collect()
    )


def _any_of(rules: Iterator[pl.Expr]) -> pl.Expr | None:
    holding = list(rules)
    return reduce(lambda one, other: one | other, holding) if holding else None


def _skips(rule: SkipRule, place: str) -> pl.Expr:
    cell = _cleaned(place)
    if rule.is_empty:
        return cell.is_null()
    return _is_as_told(cell.str.to_lowercase(), rule.equals, rule.begins_with).fill_null(
        value=False
    )


def _skips_line(rule: SkipRule) -> pl.Expr:
    """Of a row that doesn't fit the header only its line is known: it begins as its first cell."""
    line = pl.col("line").str.strip_chars('" ').str.to_lowercase()
    return _is_as_told(line, (), rule.equals + rule.begins_with)


def _is_as_told(text: pl.Expr, equals: tuple[str, ...], begins_with: tuple[str, ...]) -> pl.Expr:
    told = text.is_in([word.lower() for word in equals])
    return reduce(
        lambda so_far, word: so_far | text.str.starts_with(word.lower()), begins_with, told
    )


@cache
def _cleaned(position: str) -> pl.Expr:
    return pl.col(position).str.strip_chars().replace("", None)


def _whether(holds: pl.Expr, cells: Table) -> pl.Series:
    """Whether it holds, of each row."""
    return cells.worked_out([[holds.alias("holds")]], ["holds"]).column("holds")


def _refuse_formulas(raw: Raw, cells: Table) -> None:
    if not raw.formulas:
        return
    rows = set(cells.column("source_row"))
    for row, address in raw.formulas:
        if row in rows:
            raise UnusableFileError(
                f"The cell {address} holds a formula; put its value there and export again."
            )


def _refuse_line_breaks(table: Table, ragged: pl.DataFrame) -> None:
    """No cell of the contract holds a line break: one that does has swallowed the rows after it."""
    broken = table.frame().filter(
        pl.any_horizontal(pl.exclude("source_row").str.contains(LINE_BREAK))
    )
    numbers = broken["source_row"].to_list()
    numbers += ragged.filter(pl.col("line").str.contains(LINE_BREAK))["source_row"].to_list()
    if numbers:
        raise UnusableFileError(
            f"Row {min(numbers)} runs over several lines, so a quotation mark is probably not "
            "closed; correct it and export again."
        )
