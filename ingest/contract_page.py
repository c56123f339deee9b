"""Writes CONTRACT.md, the contract as a clinic reads it: `python -m ingest.contract_page`."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from ingest.batches import SUFFIXES
from ingest.contract import (
    KINDS,
    MEANINGS,
    MEASURES,
    Column,
    Kind,
    Level,
    Reason,
    Type,
)

PAGE = Path(__file__).with_name("CONTRACT.md")
FLAG_ONLY = (Reason.ABOVE_RANGE, Reason.AVERAGED, Reason.UNKNOWN_COLUMN)
READ_AS = {
    Type.KEY: "id",
    Type.DATE: "date",
    Type.CODE: "code",
    Type.PROTOCOL: "code",
    Type.CLINIC_CODE: "own code",
    Type.INTEGER: "whole number",
    Type.DECIMAL: "number",
    Type.YES_NO: "yes or no",
}

# Invented rows, as a clinic would export them for 2026-03. Columns that stay empty may be left out.
EXAMPLES: dict[str, str] = {
    "visits": """
visit_id,patient_id,visit_date,visit_reason,severity_grade,diagnosis,age_years,sex
V-1001,P-17,2026-03-02,assessment,moderate,mgd,61,female
V-1002,P-18,2026-03-02,assessment,severe,mixed,48,male
V-1003,P-17,2026-03-09,course,,,61,female
""",
    "sessions": """
session_id,patient_id,session_date,eye,purpose,protocol,plateau_temp_c,minutes,chair_minutes,screened,operator,adverse_event
S-501,P-17,2026-03-09,right,course,four_fortnightly,41.5,6,45,yes,op1,none
S-501,P-17,2026-03-09,left,course,four_fortnightly,41.2,6,45,yes,op1,redness
S-502,P-17,2026-03-23,right,course,four_fortnightly,41.8,6,40,yes,op2,none
S-502,P-17,2026-03-23,left,course,four_fortnightly,41.6,5.5,40,yes,op2,none
""",
    "outcomes": """
outcome_id,patient_id,assessed_date,eye,measure,value,timing
O-9001,P-17,2026-03-09,both,osdi,31.25,before_treatment
O-9002,P-17,2026-03-09,right,break_up_time,4.5,before_treatment
O-9003,P-17,2026-03-09,left,break_up_time,5,before_treatment
O-9004,P-18,2026-03-02,both,osdi,47.5,no_treatment
""",
    "patients": """
patient_id,status,status_date,treated_before
P-17,active,2026-03-02,no
P-18,declined_recall,2026-03-05,no
""",
    "plans": """
plan_id,patient_id,decided_on,decision,protocol,sessions_planned,home_care_result,ended_on,end_reason
L-301,P-17,2026-03-02,accepted,four_fortnightly,4,not_enough,,
L-302,P-18,2026-03-02,declined,,,not_tried,2026-03-05,cost
""",
    "treatments": """
treatment_id,patient_id,treatment,eye,started_on,stopped_on
T-71,P-18,warm_mask,both,2026-03-02,
""",
    "adverse_events": """
event_id,patient_id,onset_date,event,severity,serious,session_id,eye,resolved_date
E-11,P-17,2026-03-10,swelling,mild,no,S-501,left,2026-03-12
""",
    "temperatures": """
session_id,eye,t_s,temp_c
S-501,right,0,34.1
S-501,right,0.5,35.9
S-501,right,1,37.2
""",
}


def page() -> str:
    """The whole page as Markdown."""
    return "\n".join(
        [
            _INTRODUCTION,
            *(_kind_section(kind) for kind in KINDS),
            _measures_section(),
            _AFTERWARDS,
            "## Why a row is refused\n",
            "A row is refused with every reason that applies to a required value of it.\n",
            _table(
                ("reason", "what it means", "what to do"),
                (
                    (f"`{reason}`", *MEANINGS[reason])
                    for reason in Reason
                    if reason not in FLAG_ONLY
                ),
            ),
            "A bad value in a column that is not required is emptied, counted under the same "
            "reasons, and the row stays. Only flagged are:\n",
            _table(
                ("reason", "what it means", "what to do"),
                ((f"`{reason}`", *MEANINGS[reason]) for reason in FLAG_ONLY),
            ),
            _WHOLE_FILES,
        ]
    )


def sheet(kind: Kind) -> str:
    """One kind alone, on a page to hand to whoever writes that export."""
    return "\n".join(
        [
            f"# The export `{kind.name}`\n",
            _SHEET.format(kind=kind.name),
            _kind_section(kind),
            *([_measures_section()] if kind.name == "outcomes" else []),
        ]
    )


def _kind_section(kind: Kind) -> str:
    need = "Required of every clinic." if kind.required else "Optional."
    key = ", ".join(f"`{name}`" for name in kind.grain)
    return "\n".join(
        [
            f"## `{kind.name}`\n",
            f"{kind.description} {need} Its key is {key}.{_agreement(kind)}\n",
            _table(
                ("column", "required", "holds", "unit", "allowed", "what it is"),
                (_column_row(column) for column in kind.columns),
            ),
            f"```csv\n{EXAMPLES[kind.name].strip()}\n```\n",
        ]
    )


def _agreement(kind: Kind) -> str:
    if kind.averaged:
        return f" Rows of one key are averaged over `{kind.averaged}`."
    if kind.agree:
        shared = ", ".join(f"`{name}`" for name in kind.agree)
        return (
            f" Rows of one `{kind.grain[0]}` must agree on {shared}; an empty cell agrees with any."
        )
    return ""


def _column_row(column: Column) -> tuple[str, ...]:
    return (
        f"`{column.name}`",
        "yes" if column.required else "",
        READ_AS[column.type],
        column.unit or "",
        _allowed(column),
        column.description,
    )


def _allowed(column: Column) -> str:
    if column.codes:
        return ", ".join(f"`{code}`" for code in column.codes)
    if column.low is not None and column.high is not None:
        above = "; kept and flagged above" if column.kept_above else ""
        return f"{column.low:g} to {column.high:g}{above}"
    return {
        Type.DATE: "2000-01-01 to the batch's last day",
        Type.PROTOCOL: "the protocols of group.toml",
        Type.CLINIC_CODE: "letters, digits, `-` and `_`, up to 40",
        Type.YES_NO: "`yes`, `no`",
        Type.DECIMAL: "the measure's range",
    }.get(column.type, "")


def _measures_section() -> str:
    return "\n".join(
        [
            "## Measures of `outcomes`\n",
            "A measure of the patient has `both` in `eye`, a measure of an eye has `right` or "
            "`left`.\n",
            _table(
                ("measure", "range", "unit", "of", "better", "what it is"),
                (
                    (
                        f"`{measure.name}`",
                        f"{measure.low:g} to {measure.high:g}",
                        measure.unit,
                        "the patient" if measure.level is Level.PATIENT else "an eye",
                        measure.better,
                        measure.description,
                    )
                    for measure in MEASURES
                ),
            ),
        ]
    )


def _table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [header, ["---"] * len(header), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines) + "\n"


_REQUIRED = ", ".join(f"`{kind.name}`" for kind in KINDS if kind.required)
_OPTIONAL = ", ".join(f"`{kind.name}`" for kind in KINDS if not kind.required)
_ENDINGS = ", ".join(f"`{suffix}`" for suffix in SUFFIXES)

_HOW_WRITTEN = """\
- **CSV**: UTF-8, a header with the columns' names, commas between the cells. A cell that holds a
  comma or a quotation mark stands between quotation marks, with each inner one doubled. No cell of
  the contract holds a line break. Columns may come in any order, in any case; optional ones may be
  left out. Empty rows are passed over. In messages the header is row 1.
- **Parquet, XLSX**: the same columns, as text or typed (dates, numbers, true and false).
- **Ids** are text: `007` and `7` are two. They are unique within the clinic and stay the same in
  every batch. On arrival each is replaced by a key that nobody can turn back without the group's
  secret. Write no name, birth date, phone number or other identifier, in no column.
- **Dates** are `YYYY-MM-DD`.
- **Numbers** have a decimal point: `7.3`, `5`, `1e1`. No thousands mark, no unit. They are kept to
  six places.
- **Codes** are in lower case. `all` and `unknown` are no codes.
- **Empty** means unknown. An empty `adverse_event` means that nobody asked; `none` means that
  somebody asked and there was none. The two are never taken for each other.
"""

_SHEET = f"""\
Files whose names begin with `{{kind}}` and end in {_ENDINGS}, in the folder of a month, `YYYY-MM`.
All ids, dates and codes below are invented.

{_HOW_WRITTEN}"""

_INTRODUCTION = f"""\
<!-- Written by `python -m ingest.contract_page` from ingest/contract.py; change it there. -->

# What a clinic exports

For whoever makes the export at a clinic, or writes the program that does. All ids, dates and codes
below are invented.

An export is no report of an adverse event: report those first by the route that your local rules
name.

## Where the files go

```text
exports/
  alder/                      a clinic, by its code in group.toml
    2026-02/                  a batch: the whole of February 2026
      visits.csv
      sessions.csv
      outcomes.csv
      patients.csv
    2026-03-15/               a batch: March 2026 up to the 15th
      visits.csv
      sessions-right.csv.gz   several files of one kind are read together
      sessions-left.csv.gz
      outcomes.parquet
```

- A **batch** is named `YYYY-MM`, or `YYYY-MM-DD` where the month is not over. It covers its month
  up to its last day. It may hold rows of any earlier day, such as corrections, and none of a later
  one.
- Batches count in the order of their last day, then of their name.
- A file's name begins with its **kind**. Required are {_REQUIRED}; optional are {_OPTIONAL}. Its
  ending is {_ENDINGS}.
- A clinic that exports other columns, codes, units or dates needs a **mapping**: see the README.
- A batch that lacks a required kind is read, and the run warns of it. A clinic that never sent a
  required kind stops the run: export its header alone where there is nothing yet.
- Leave out a batch's folder until its files are in it. A folder without any is not there yet. What
  lies beside the folders is passed over, and the run names it.

## How a file is written

{_HOW_WRITTEN}"""

_AFTERWARDS = """\
## Corrections, withdrawals, repeats

- **To correct a row**, export it again with the same key in a later batch. The newest batch's row
  counts, for every kind. It replaces the older row as a whole: a cell that it leaves empty, or a
  column that its file leaves out, becomes unknown. If the new row is refused, the old one stays in
  force, and the quality page says so.
- **To withdraw a row**, a clinic whose exports are `full` in group.toml leaves it out: each batch
  of such a clinic holds everything, and of each kind only the keys in the newest batch count. A
  kind that a batch leaves out altogether, or whose files are refused, withdraws nothing. A clinic
  whose exports are `changes`, as is usual, exports only what is new or changed, and a row stays
  until a later one replaces it.
- **A row that is repeated exactly** within a batch counts once. Rows with the same key and
  different content are all refused, because nobody can tell which is right.
- **A temperature log** that comes again in a later batch replaces the older log of its session
  and eye as a whole. Within a batch its samples may come in any order, and in several files.
- **A harm stays in sight.** If its row is refused, if a later batch lowers or leaves it out, or if
  its code cannot be read, the safety page lists it until somebody settles it in group.toml.
- Every row is counted: rows read are accepted, refused, or repeat another, in every file and run.
"""

_WHOLE_FILES = """\
## Why a whole file is refused

Nothing of such a file is kept, not even among refused rows. A single one stops the run: nothing is
published until it is mended, or taken out of the batch's folder. The message names the file and
says why. A file in a batch whose name begins with no kind stops the run too.

- A required column is missing, or one of the contract's columns stands in it twice.
- It cannot be read: it is empty, not UTF-8, holds a NUL byte, is cut off, is separated by something
  else than commas, or a quotation mark is not closed.
- It seems to hold identifiers: a column named like a name, birth date, phone number, mail or postal
  address, record, insurance, card or account number; or values shaped like mail or postal
  addresses, phone numbers, national, insurance, card or account numbers, names of persons, birth
  dates, or text longer than 80 characters. The message says which column, never a value.
  Numbers that a clinic's own may look like are told by their check digits, and only where nearly
  all of six or more in a column agree. The screen knows the shapes of five countries and is no
  proof that none is there.
- What stands there is no file: a folder, a pipe, a device, or a link that leads nowhere or out of
  the workspace; or its name holds a character that cannot be seen.
- It is too large: a row over 4 MB, 2,000 columns, 500 million rows, or 64 GB of text.
"""


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
