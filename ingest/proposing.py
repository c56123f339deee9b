"""Proposes a mapping from a sample file, for a person to look at, correct and accept.

Nothing here decides anything: what is likely but not sure stands in the proposal as a comment.
"""

import csv
import gzip
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from difflib import SequenceMatcher
from itertools import product
from pathlib import Path

import fastexcel
import polars as pl

from ingest.checks import ISO_DAY, Judge, fault_name
from ingest.contract import MEASURES, OUTCOMES, Column, Kind, Level, Type
from ingest.identifiers import screen
from ingest.mapping import DELIMITERS, OF_WIDE, UNITS, Form, KindMapping, Unit, parse_mapping
from ingest.raw import Raw, UnusableFileError, folded
from ingest.reading import read_blocks, read_raw
from pipeline.errors import WrongUse

SURE = 0.8  # from here on a line is not commented out
LIKELY = 0.45  # below it a column is not named at all
SAMPLE_BYTES = 1 << 20
SAMPLE_ROWS = 1000
TOP_ROWS = 30  # among which the header is looked for
SHOWN_ROWS = 5
LONGEST_WORD = 40
MOST_WORDS = 30  # a column with more is no list of codes
ENOUGH = 0.95  # of the values
NO_DAY_IS_LATER = date(9999, 12, 31)

# What clinics' systems call things, beside the contract's own names. From experience of such
# exports in general: common practice, no source.
NAMES: Mapping[str, tuple[str, ...]] = {
    "patient_id": ("patient", "patient no", "patient number", "chart no", "pid", "patienten nr"),
    "visit_id": ("visit", "visit no", "encounter", "besuch"),
    "visit_date": ("date", "date of visit", "seen on", "datum"),
    "visit_reason": ("reason", "visit type", "grund"),
    "severity_grade": ("severity", "grade", "schweregrad"),
    "age_years": ("age", "alter"),
    "sex": ("gender", "geschlecht"),
    "home_care_minutes_per_day": ("home care", "home care hours per week"),
    "drops_per_day": ("drops", "tropfen"),
    "session_id": ("session", "session no", "treatment no", "sitzung"),
    "session_date": ("date", "treated on", "treatment date", "datum"),
    "eye": ("side", "laterality", "auge", "seite"),
    "purpose": ("type", "session type"),
    "protocol": ("plan", "protokoll"),
    "plateau_temp_c": ("plateau", "plateau temperature", "plateau f", "plateau c"),
    "max_temp_c": ("max temperature", "peak", "peak f", "peak temperature"),
    "minutes": ("heating minutes", "heating seconds", "heating time", "minuten"),
    "chair_minutes": ("chair time", "chair seconds"),
    "pain_0_10": ("pain", "pain score", "schmerz"),
    "outcome_id": ("result no", "record", "exam no", "befund"),
    "assessed_date": ("date", "assessed", "seen on", "exam date", "measured on", "datum"),
    "measure": ("test", "measurement", "parameter"),
    "value": ("result", "score", "wert"),
    "timing": ("when",),
    "t_s": ("time", "seconds", "t"),
    "temp_c": ("temperature", "temp", "temp f"),
}
YES = ("y", "true", "1", "ja", "j", "oui", "si")
NO = ("n", "false", "0", "nein", "non")
RIGHT, LEFT, BOTH = ("r", "od", "re", "rechts"), ("l", "os", "le", "links"), ("ou", "beide", "b")
WORDS: Mapping[str, Mapping[str, str]] = {
    "eye": {
        word: eye
        for eye, words in (("right", RIGHT), ("left", LEFT), ("both", BOTH))
        for word in words
    },
    "sex": {"f": "female", "w": "female", "m": "male", "weiblich": "female", "woman": "female",
            "man": "male"},
    "severity_grade": {"leicht": "mild", "mittel": "moderate", "schwer": "severe"},
    "lids": {"oben": "upper", "unten": "lower", "beide": "both"},
    "adverse_event": {"no": "none", "nil": "none", "keine": "none"},
    "measure": {"tbut": "break_up_time", "nibut": "noninvasive_break_up_time", "deq-5": "deq5"},
    "timing": {"before": "before_treatment", "after": "after_treatment"},
}  # fmt: skip
UNIT_WORDS: Mapping[str, tuple[str, ...]] = {
    "fahrenheit": ("f", "fahrenheit"),
    "seconds": ("s", "sec", "secs", "seconds"),
    "milliseconds": ("ms", "milliseconds"),
    "hours": ("h", "hours"),
    "hours_a_week": ("hours week", "hours per week"),
    "hours_a_day": ("hours day", "hours per day"),
    "minutes_a_week": ("minutes week", "minutes per week"),
    "drops_a_week": ("drops week", "drops per week"),
}
CONTROLS = "".join(map(chr, range(0x7F, 0xA0)))  # no text has them
REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
TOTALS = ("total", "sum", "summe", "gesamt", "printed", "page", "end of")
DAY_SHAPED = r"^\d{1,4}[./-]\d{1,2}[./-]\d{1,4}(?: .*)?$|^(?:19|20)\d{6}$"
ORDERS = (
    "yyyymmdd",
    *(
        order + time
        for mark, time in product((".", "/", "-"), ("", " hh:mm", " hh:mm:ss"))
        for order in (f"dd{mark}mm{mark}yyyy", f"mm{mark}dd{mark}yyyy", f"yyyy{mark}mm{mark}dd")
    ),
)


@dataclass(frozen=True)
class Line:
    """A setting of the proposal, how sure it is, and where it stands; an empty section is the
    whole site's."""

    section: str
    text: str
    confidence: float
    remark: str = ""

    def written(self) -> str:
        told = f"{self.confidence:.0%}" + (f": {self.remark}" if self.remark else "")
        mark = "" if self.confidence >= SURE else "# "
        return f"{mark}{self.text}  # {told}"


@dataclass(frozen=True)
class Proposal:
    """The text of a mapping, and the first rows as they would land, or why none would."""

    text: str
    preview: str


def propose(path: Path, kind: Kind, site: str, protocols: tuple[str, ...]) -> Proposal:
    """Propose a mapping for files like this one.

    Raises:
        WrongUse: not even the form of the file can be guessed.
    """
    try:
        form_lines, form = _form(path)
        raw = next(read_raw(path, form, f"mappings/{site}.toml", lambda _: True))
    except UnusableFileError as fault:
        raise WrongUse(f"{path}: {fault}", "Correct it, or write the mapping by hand.") from None
    lines = [*form_lines, *_content(raw, kind)]
    text = _as_toml(lines, site, path.name)
    return Proposal(text, preview(path, text, kind, site, protocols))


def preview(path: Path, text: str, kind: Kind, site: str, protocols: tuple[str, ...]) -> str:
    """The first rows of a file as they would land with a mapping, each fault beside its value."""
    mapping = parse_mapping(text.encode(), Path(f"mappings/{site}.toml")).of(kind)
    try:
        block = next(iter(read_blocks(path, kind, mapping, site)))
        screen(block, kind)
    except UnusableFileError as fault:
        return f"As proposed, the file would be refused: {fault}"
    rows = Judge(kind, NO_DAY_IS_LATER, protocols).judge(block.table.head(SHOWN_ROWS)).frame()
    width = max(len(column.name) for column in kind.columns)
    shown = [f"{block.read_as}; the first rows as they would land:"]
    for column in kind.columns:
        cells = zip(rows[column.stored_name], rows[fault_name(column)], strict=True)
        told = (_shown(cell) + (f" ({why})" if why else "") for cell, why in cells)
        shown.append(f"  {column.name:{width}}  {' | '.join(told)}")
    return "\n".join(shown)


def _shown(value: object) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case Decimal():
            return f"{value.normalize():f}"
        case _:
            return str(value)


def _as_toml(lines: Sequence[Line], site: str, file: str) -> str:
    texts = [
        f"# A proposal for mappings/{site}.toml, from {file}: look at every line.",
        "# Each says how sure it is; what is not sure enough is commented out.",
    ]
    for section in dict.fromkeys(line.section for line in lines):
        texts += ["", f"[{section}]"] if section else [""]
        texts += [line.written() for line in lines if line.section == section]
    return "\n".join(texts) + "\n"


def _quoted(text: str) -> str:
    """Text as TOML has it between quotation marks."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
    return '"' + re.sub(r"[\x00-\x1f\x7f]", " ", escaped) + '"'


def _listed(texts: Sequence[str]) -> str:
    return _quoted(texts[0]) if len(texts) == 1 else "[" + ", ".join(map(_quoted, texts)) + "]"


# The form of the file


def _form(path: Path) -> tuple[list[Line], Form]:
    name = path.name.lower()
    if name.endswith(".parquet"):
        return [], Form()
    if name.endswith(".xlsx"):
        lines, form = _sheet_of(path)
        whole = next(read_raw(path, form, "", lambda _: True))
        tops = [
            list(whole.names),
            *(list(row[1:]) for row in whole.cells.head(TOP_ROWS).frame().rows()),
        ]
    else:
        lines, form, tops = _text_of(path)
    header_row = _header_row(tops)
    if header_row > 1:
        lines.append(Line("", f"header_row = {header_row}", 0.9))
    return lines, form.model_copy(update={"header_row": header_row})


def _sheet_of(path: Path) -> tuple[list[Line], Form]:
    try:
        names = fastexcel.read_excel(path).sheet_names
    except fastexcel.FastExcelError:
        raise UnusableFileError("It cannot be read as an XLSX workbook.") from None
    if len(names) == 1:
        return [], Form()
    return [Line("", f"sheet = {_quoted(names[0])}", SURE, "the first")], Form(sheet=names[0])


def _text_of(path: Path) -> tuple[list[Line], Form, list[list[str]]]:
    with gzip.open(path) if path.name.lower().endswith(".gz") else path.open("rb") as file:
        start = file.read(SAMPLE_BYTES)
    lines, encoding = [], None
    text, is_utf8 = _decoded(start)
    if not is_utf8:
        encoding = "windows-1252"
        strange = [mark for mark in text if mark in CONTROLS or mark == REPLACEMENT]
        sure = 0.85 if not strange else 0.6
        lines.append(Line("", f"encoding = {_quoted(encoding)}", sure, "it is not UTF-8"))
    tops = text.splitlines()[: TOP_ROWS + 1]
    tops = tops if len(tops) <= TOP_ROWS else tops[:-1]
    parted = {mark: list(csv.reader(tops, delimiter=mark)) for mark in DELIMITERS}
    delimiter = max(parted, key=lambda mark: _evenness(parted[mark]))
    if delimiter != ",":
        lines.append(Line("", f"delimiter = {_quoted(delimiter)}", 0.95))
    form = Form.model_validate({"encoding": encoding, "delimiter": delimiter})
    return lines, form, parted[delimiter]


def _decoded(start: bytes) -> tuple[str, bool]:
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        return start[: len(start) // 2 * 2].decode("utf-16", errors="replace"), True
    try:
        return start.decode("utf-8-sig"), True
    except UnicodeDecodeError as error:
        if error.start > len(start) - 4:  # a character at the end of the sample
            return start[: error.start].decode("utf-8-sig"), True
        return start.decode("windows-1252", errors="replace"), False


def _evenness(rows: list[list[str]]) -> tuple[int, int]:
    """How many rows have the commonest number of cells, where that is more than one."""
    widths = [len(row) for row in rows if len(row) > 1]
    most = max(set(widths), key=widths.count, default=0)
    return widths.count(most), most


def _header_row(tops: list[list[str]]) -> int:
    """The first row that has all its cells filled, each with another text, none a number."""
    filled = [[cell for cell in row if cell and cell.strip()] for row in tops]
    widest = max(map(len, filled), default=0)
    for number, cells in enumerate(filled, start=1):
        is_text = not any(re.match(r"^[\d.,/-]+$", cell) for cell in cells)
        if len(cells) >= max(2, widest - 1) and is_text and len(set(cells)) == len(cells):
            return number
    return 1


# What the file holds


def _content(raw: Raw, kind: Kind) -> Iterator[Line]:
    values = {
        name: raw.cells.column(str(position))
        .str.strip_chars()
        .replace("", None)
        .drop_nulls()
        .head(SAMPLE_ROWS)
        for position, name in enumerate(raw.names)
        if name.strip()
    }
    found = _columns(values, kind)

    def of_type(type_: Type) -> list[pl.Series]:
        own = [column.name for column in kind.columns if column.type is type_]
        return [values[name] for column, (name, _) in found.items() if column in own]

    yield from _dates(of_type(Type.DATE))
    yield from _decimal(of_type(Type.DECIMAL))
    yield from _yes_no(of_type(Type.YES_NO))
    wide = list(_wide(values, found, raw)) if kind is OUTCOMES and "measure" not in found else []
    for column in kind.columns:
        if column.name in found and not (wide and column.name in OF_WIDE):
            name, confidence = found[column.name]
            if folded(name) != column.name:
                yield Line(f"{kind.name}.columns", f"{column.name} = {_quoted(name)}", confidence)
    yield from wide
    for column in kind.columns:
        if column.name in found and not wide:
            name, _ = found[column.name]
            yield from _units(column, name, values[name], kind)
            yield from _codes(column, values[name], kind)
    yield from _totals(raw, kind)


def _columns(values: Mapping[str, pl.Series], kind: Kind) -> dict[str, tuple[str, float]]:
    """For each column of the contract the file's that it is most likely, and how likely."""
    scored = [
        (_likeness(name, series, column), column.name, name)
        for column in kind.columns
        for name, series in values.items()
    ]
    found: dict[str, tuple[str, float]] = {}
    taken: set[str] = set()
    for score, column, name in sorted(scored, key=lambda s: -s[0]):
        if score >= LIKELY and column not in found and name not in taken:
            found[column] = (name, score)
            taken.add(name)
    return found


def _likeness(name: str, values: pl.Series, column: Column) -> float:
    if folded(name) == column.name:
        return 1.0
    by_name = max(_alike(name, known) for known in (column.name, *NAMES.get(column.name, ())))
    if values.is_empty():
        return by_name * 0.9
    fit = _fit(values, column)
    if fit < 0.5:
        return by_name * fit
    by_value = 0.6 if column.type is Type.CODE and values.n_unique() > 1 else 0.3
    return (1 - by_value) * by_name + by_value * fit


def _alike(one: str, other: str) -> float:
    return SequenceMatcher(None, _plain(one), _plain(other)).ratio()


def _plain(name: str) -> str:
    return " ".join(re.findall(r"[^\W_]+", name.lower()))


def _fit(values: pl.Series, column: Column) -> float:
    """The share of values that could be the column's, in whatever words, order or unit."""
    match column.type:
        case Type.DATE:
            fits = values.str.contains(DAY_SHAPED)
        case Type.INTEGER | Type.DECIMAL:
            return max(_in_range(values, column, unit) for unit in _units_of(column).values())
        case Type.CODE:
            known = [*column.codes, *WORDS.get(column.name, {})]
            fits = values.str.to_lowercase().is_in(known)
        case Type.YES_NO:
            fits = values.str.to_lowercase().is_in(["yes", "no", *YES, *NO])
        case Type.KEY:
            fits = ~values.str.contains(DAY_SHAPED) & (values.str.len_chars() <= 40)
        case _:
            fits = values.str.contains(r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")
    return float(fits.sum()) / values.len()


def _units_of(column: Column) -> Mapping[str, Unit]:
    return UNITS.get(column.unit or "", {"": Unit(1)})


def _in_range(values: pl.Series, column: Column, unit: Unit) -> float:
    text = values.str.replace(",", ".", literal=True)
    number = (text.cast(pl.Float64, strict=False) - unit.offset) * unit.times / unit.over
    low = float("-inf") if column.low is None else column.low
    high = float("inf") if column.high is None else column.high
    fits = number.is_between(low, high).fill_null(value=False)
    return float(fits.sum()) / max(values.len(), 1)


def _dates(columns: Iterable[pl.Series]) -> Iterator[Line]:
    """The orders in which all dates can be read; two are for a person to decide between."""
    days = pl.concat([pl.Series([], dtype=pl.String), *columns])
    if days.str.contains(ISO_DAY).all():
        return
    possible = [order for order in ORDERS if _parsed(days, order) >= ENOUGH]
    for order in possible:
        doubt = "" if len(possible) == 1 else "day and month could be either way round: decide"
        yield Line("", f"dates = {_quoted(order)}", 0.5 if doubt else 0.95, doubt)


def _parsed(days: pl.Series, order: str) -> float:
    strptime = KindMapping(dates=order).strptime or "%Y-%m-%d"
    read = days.str.to_datetime(strptime, strict=False, time_unit="us")
    return float((read.dt.year() >= 1900).fill_null(value=False).sum()) / days.len()


def _decimal(columns: Iterable[pl.Series]) -> Iterator[Line]:
    commas = pl.concat([pl.Series([], dtype=pl.String), *columns])
    commas = commas.filter(commas.str.contains(r"^[+-]?\d+,\d+$"))
    if commas.str.contains(r",(?:\d{1,2}|\d{4,})$").any():
        yield Line("", 'decimal = ","', 0.95)
    elif commas.len():
        yield Line("", 'decimal = ","', 0.5, "or the comma parts thousands: decide")


def _yes_no(columns: Iterable[pl.Series]) -> Iterator[Line]:
    words = sorted({word.lower() for column in columns for word in column if len(word) <= 10})
    for answer, known in (("yes", YES), ("no", NO)):
        if said := [word for word in words if word in known]:
            yield Line("", f"{answer} = {_listed(said)}", 0.9)


def _units(column: Column, name: str, values: pl.Series, kind: Kind) -> Iterator[Line]:
    """Another unit than the contract's, if the column's name says it or only it gives values that
    can be."""
    units = _units_of(column)
    own = next(iter(units))
    fitting = [unit for unit in units if _in_range(values, column, units[unit]) >= ENOUGH]
    words = _plain(name)
    said = [
        u for u in fitting if any(f" {words} ".endswith(f" {w} ") for w in UNIT_WORDS.get(u, ()))
    ]
    if said and said[0] != own:
        yield Line(f"{kind.name}.units", f'{column.name} = "{said[0]}"', 0.95)
    elif fitting and own not in fitting:
        sure = 0.85 if len(fitting) == 1 else 0.6
        for unit in fitting:
            yield Line(f"{kind.name}.units", f'{column.name} = "{unit}"', sure, "by its values")


def _codes(column: Column, values: pl.Series, kind: Kind) -> Iterator[Line]:
    """The words of a coded column; one that is not known is left for a person."""
    if column.type is not Type.CODE:
        return
    words = sorted(set(values.str.to_lowercase()) - set(column.codes))
    words = [word for word in words if len(word) <= LONGEST_WORD]  # a longer one is a free text
    if len(words) > MOST_WORDS:
        return
    for word in words:
        code = WORDS.get(column.name, {}).get(word)
        near = max(column.codes, key=lambda known: _alike(word, known))
        section = f"{kind.name}.codes.{column.name}"
        if code in column.codes:
            yield Line(section, f"{_quoted(word)} = {_quoted(str(code))}", 0.9)
        else:
            remark = "one of " + ", ".join(column.codes)
            yield Line(section, f"{_quoted(word)} = {_quoted(near)}", 0.3, remark)


def _wide(
    values: Mapping[str, pl.Series], found: Mapping[str, tuple[str, float]], raw: Raw
) -> Iterator[Line]:
    """A column for each measure and eye, where a row can be told from the others."""
    taken = {name for column, (name, _) in found.items() if column not in OF_WIDE}
    held = {name: held for name in values if name not in taken and (held := _measure_in(name))}
    if len(held) < 2 or not {"patient_id", "assessed_date"} <= found.keys():
        return
    if "outcome_id" not in found:
        names = [found["patient_id"][0], found["assessed_date"][0]]
        positions = [str(raw.names.index(name)) for name in names]
        is_key = not raw.cells.frame(positions).is_duplicated().any()
        yield Line("outcomes.columns", f"outcome_id = {_listed(names)}", SURE if is_key else 0.5)
        if not is_key:
            return
    told: set[tuple[str, str]] = set()
    for name, (measure, eye, likeness) in sorted(held.items(), key=lambda h: -h[1][2]):
        again = (measure, eye) in told
        told.add((measure, eye))
        of_eye = f', eye = "{eye}"' if eye != "both" else ""
        yield Line(
            "outcomes.wide",
            f'{_quoted(name)} = {{ measure = "{measure}"{of_eye} }}',
            min(likeness, 0.5) if again else likeness,
        )


def _measure_in(name: str) -> tuple[str, str, float] | None:
    """The measure and the eye that a column of a wide table is named after."""
    words = re.findall(r"[^\W_]+", name.lower())
    eyes = [WORDS["eye"].get(word, word) for word in words]
    eye = next((e for e in eyes if e in ("right", "left")), "both")
    rest = " ".join(word for word, e in zip(words, eyes, strict=True) if e not in ("right", "left"))
    level = Level.PATIENT if eye == "both" else Level.EYE
    likely = [
        (
            max(_alike(rest, known) for known in (measure.name, *_names_of(measure.name))),
            measure.name,
        )
        for measure in MEASURES
        if measure.level is level
    ]
    likeness, measure = max(likely)
    return (measure, eye, likeness) if likeness >= LIKELY + 0.1 else None


def _names_of(measure: str) -> list[str]:
    return [word for word, code in WORDS["measure"].items() if code == measure]


def _totals(raw: Raw, kind: Kind) -> Iterator[Line]:
    """Footers and totals among the last rows."""
    last = (
        raw.cells.column("0").tail(3).drop_nulls().to_list() + raw.ragged["line"].tail(3).to_list()
    )
    begins = [text.strip('" ').lower() for text in last]
    if found := [word for word in TOTALS if any(text.startswith(word) for text in begins)]:
        yield Line(f"[{kind.name}.skip]", f"begins_with = {_listed(found)}", 0.9)
