"""How many of thousands of made-up identifiers the screen finds, shape by shape, and that it leaves
a clinic's own numbers alone."""

from random import Random

import polars as pl
import pytest

from ingest import check_digits
from ingest.batches import kind_of
from ingest.contract import PATIENTS, TEMPERATURES
from ingest.identifiers import ENOUGH, screen
from ingest.reading import RAGGED, Block, UnusableFileError, cells_schema, read_blocks
from ingest.tables import Table
from synthetic_data import make_exports
from tests.ingest import made_up as corpus

OF_EACH = 30  # of some 150 kinds and places
IN_A_COLUMN = 12
LEAST_FOUND = 0.99
LEAST_NAMED = 0.8  # a number may also agree with another kind's check digit, one in ten does


def alarm(column, values, kind=PATIENTS):
    """What the screen says of a column of a file, or nothing; proves that it tells no value."""
    cells = pl.DataFrame({"source_row": range(2, 2 + len(values))}, schema={"source_row": pl.Int64})
    text = pl.Series(column, values, dtype=pl.String)
    known = cells_schema(kind)
    rows = cells.select(
        "source_row",
        *(
            text if name == column else pl.lit(None, pl.String).alias(name)
            for name in known.names()[1:]
        ),
    )
    others = () if column in known else ((column, text),)
    told = None
    try:
        screen(Block(Table.of(rows), pl.DataFrame(schema=RAGGED), others, read_as="made up"), kind)
    except UnusableFileError as refusal:
        told = str(refusal)
    assert not [value for value in values if value and told and value in told]
    return told


def cases(*makers, single):
    return [
        pytest.param(shape, make, single, id=f"{shape}-{way}-{'one' if single else 'column'}")
        for group in makers
        for shape, way, make in corpus.made_up(group)
    ]


IN_NOTES = [
    *cases(corpus.EVIDENT, corpus.EVIDENT_BUT_IN_IDS, single=True),
    *cases(corpus.BY_COLUMN, corpus.BY_COLUMN_BUT_IN_IDS, single=False),
]
IN_IDS = [
    case
    for case in cases(corpus.EVIDENT, corpus.BY_COLUMN, single=False)
    if not case.id.startswith(("birth dates", "insurance numbers-UK", "account numbers"))
]


def prove_found(shape, make, single, column):
    """Values alone, or columns of them, raise an alarm, and nearly always the right one."""
    random = Random(f"{column} {shape}")
    told = []
    for _ in range(OF_EACH):
        values = [make(random)] if single else [make(random) for _ in range(IN_A_COLUMN)]
        told.append(alarm(column, [*values, None, ""]))
    assert sum(one is not None for one in told) >= LEAST_FOUND * OF_EACH
    assert sum(shape in (one or "") for one in told) >= LEAST_NAMED * OF_EACH


@pytest.mark.parametrize(("shape", "make", "single"), IN_NOTES)
def test_what_is_made_up_is_found_in_a_column_of_notes(shape, make, single):
    prove_found(shape, make, single, "remark")


@pytest.mark.parametrize(("shape", "make", "single"), IN_IDS)
def test_what_is_made_up_is_found_among_ids(shape, make, single):
    prove_found(shape, make, single, "patient_id")


@pytest.mark.parametrize(
    ("shape", "make", "single"),
    cases(corpus.EVIDENT, corpus.EVIDENT_BUT_IN_IDS, single=True)
    + [case for case in cases(corpus.BY_COLUMN, single=True) if "numbers" in case.id],
)
def test_one_is_enough_where_the_contract_has_a_day_or_a_code(shape, make, single):
    prove_found(shape, make, single, "status")


def test_days_of_birth_in_a_column_of_the_contract_refuse_the_file_and_one_does_not():
    random = Random(4)
    days = [corpus.iso_day(random) for _ in range(ENOUGH)]
    assert "shaped like birth dates" in alarm("status_date", days)
    assert alarm("status_date", days[:1]) is None
    assert alarm("status_date", [*days, *["2026-03-04"] * 20]) is None
    assert "shaped like birth dates" in alarm("status_date", [*days, *[None] * 20])
    assert alarm("status_date", [*days, *[None] * 100]) is None  # slips of the pen


OWN_IDS = {
    "running numbers": [str(n) for n in range(1, 400)],
    "long running numbers": [str(9_990_000_000 + n) for n in range(400)],
    "eleven digits": [str(20_260_300_000 + n) for n in range(400)],
    "twelve digits": [str(260_300_000_000 + 7 * n) for n in range(400)],
    "thirteen digits": [str(4_000_000_000_000 + n) for n in range(400)],
    "moments as numbers": [f"20260315{n // 60:02}{n % 60:02}12" for n in range(400)],
    "fifteen digits": [f"202603150930{n:03}" for n in range(400)],
    "sixteen digits": [str(4_000_000_000_000_000 + 13 * n) for n in range(400)],
    "noughts before": [f"{n:010}" for n in range(1, 400)],
    "a site's number before": [f"01-{n:06}" for n in range(400)],
    "noughts and a site before": [f"00120260{n:05}" for n in range(400)],
    "in groups": [f"{n // 100:04} {n % 100:04} 0001" for n in range(2_000, 2_400)],
    "in groups of three": [f"{n:03}-{n:03}-{n:04}"[1:] for n in range(100, 400)],
    "letters before": [f"AL{n:06}" for n in range(400)],
    "letters about": [f"AL{n:06}A" for n in range(400)],
    "long letters before": [f"AL26{n:014}" for n in range(400)],
    "day and number": [f"2026-03-15-{n:04}" for n in range(400)],
    "day and number in one": [f"20260315{n:04}" for n in range(400)],
    "a slash": [f"{n}/2026" for n in range(400)],
    "hex": [f"{n * 2654435761 % 2**32:08x}" for n in range(400)],
    "unique ids": [f"{n:08x}-0000-4000-8000-{n * 7919:012x}" for n in range(400)],
    "signed": [f"+{n}" for n in range(400)],
    "random ten digits": [str(Random(n).randint(10**9, 10**10 - 1)) for n in range(400)],
    "random twelve digits": [str(Random(n).randint(10**11, 10**12 - 1)) for n in range(400)],
    "random sixteen digits": [str(Random(n).randint(4 * 10**15, 5 * 10**15)) for n in range(400)],
}  # fmt: skip


@pytest.mark.parametrize("ids", OWN_IDS.values(), ids=OWN_IDS)
@pytest.mark.parametrize("column", ["patient_id", "chair"])
def test_a_clinics_own_ids_are_left_alone(column, ids):
    if column == "chair" and ids == OWN_IDS["in groups"]:
        ids = ids[:3]  # among other columns one number in groups that agrees is enough
    for some in (ids[:1], ids[:ENOUGH], ids):
        assert alarm(column, some) is None


@pytest.mark.parametrize(
    "values",
    [
        ["Right Eye", "Left Eye"],
        ["Follow Up", "First Visit", "Room Two"],
        ["Warm Mask", "Lid Care"],
        ["seen on 2026-03-04"],
        ["comes back on 12.05.2026"],
        ["2 drops, 3 times a day"],
        ["3 months on the way"],
        ["no change (see plan)"],
        ["37.5 C, 12 minutes"],
        ["A1 2B", "B1 2C"],
        ["2026-03-04 10:30:00"],
        ["0.30000000000000004", "41.500000000000001"],
        ["x" * 79, "word " * 16],
    ],
)
def test_notes_that_name_nobody_are_left_alone(values):
    assert alarm("remark", values) is None


def test_a_number_as_a_computer_writes_it_is_no_phone_number():
    values = [repr(n / 7) for n in range(400)] + ["1.5e-07", "-0.1", "+41.5000000"]
    assert alarm("temp_c", values, TEMPERATURES) is None


@pytest.mark.parametrize(
    ("agrees", "make"),
    [
        (check_digits.luhn, corpus.visa),
        (check_digits.luhn, corpus.fifteen_digit_card),
        (check_digits.weighted_mod_11, corpus.health_number),
        (check_digits.mod_11_10, corpus.tax_number),
        (check_digits.verhoeff, corpus.residents_number),
        (check_digits.mod_97, corpus.social_number),
        (check_digits.mod_97_10, lambda r: corpus.account(r, "GB")),
    ],
)
def test_check_digits_are_those_of_python_stdnum(agrees, make):
    """The numbers and their check digits come from python-stdnum 2.2."""
    random = Random(5)
    for _ in range(300):
        number = make(random)
        assert agrees(number)
        others = [number[:-1] + digit for digit in "0123456789" if digit != number[-1]]
        assert not [other for other in others if agrees(other)]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("dirty_share", [0, 0.05])
def test_synthetic_exports_raise_no_alarm(tmp_path, seed, dirty_share):
    assert alarms_of_synthetic(tmp_path, 300, seed, dirty_share) == []


def alarms_of_synthetic(folder, patients, seed, dirty_share):
    """File and refusal for each synthetic file that the screen refuses, told from all others."""

    make_exports(folder, patients, seed, months=8, dirty_share=dirty_share)
    told, read = [], 0
    for path in sorted((folder / "exports").glob("*/*/*")):
        kind = kind_of(path)
        assert kind is not None
        read += 1
        try:
            for block in read_blocks(path, kind):
                screen(block, kind)
        except UnusableFileError as refusal:
            told.append((str(path), str(refusal)))
    assert read > 50
    return told
