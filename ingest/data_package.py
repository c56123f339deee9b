"""The contract as a Frictionless Data Package, and as a sheet per export for a system's vendor.

Data Package 2 and Table Schema 2, https://datapackage.org/. What these cannot say stands in
properties of our own: a field's `unit`, the package's `measures`.
"""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ingest.contract import (
    CLINIC_CODE_SHAPE,
    EARLIEST_DAY,
    KINDS,
    MEASURES,
    Column,
    Kind,
    Type,
    contract_version,
)
from ingest.contract_page import sheet

DESCRIPTOR = "datapackage.json"
FIELD_TYPES = {
    Type.KEY: "string",
    Type.DATE: "date",
    Type.CODE: "string",
    Type.PROTOCOL: "string",
    Type.CLINIC_CODE: "string",
    Type.INTEGER: "integer",
    Type.DECIMAL: "number",
    Type.YES_NO: "boolean",
}

Json = Mapping[str, Any]


def write_contract(folder: Path, protocols: Sequence[str] = ()) -> tuple[Path, ...]:
    """Write the descriptor and each export's sheet into a folder; the files, descriptor first.

    protocols: codes of group.toml, to name them as the only ones; none where no group is known.
    """
    folder.mkdir(parents=True, exist_ok=True)
    texts = {DESCRIPTOR: json.dumps(descriptor(protocols), indent=2) + "\n"} | {
        f"{kind.name}.md": sheet(kind) for kind in KINDS
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return tuple(folder / name for name in texts)


def descriptor(protocols: Sequence[str] = ()) -> Json:
    """A package of one CSV file per kind, as a batch's folder holds them."""
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "lidcohort-exports",
        "title": "What a clinic exports to lidcohort",
        "version": contract_version(),
        "resources": [_resource(kind, protocols) for kind in KINDS],
        "measures": [
            {
                "name": measure.name,
                "description": measure.description,
                "unit": measure.unit,
                "minimum": measure.low,
                "maximum": measure.high,
                "level": str(measure.level),
                "better": measure.better,
            }
            for measure in MEASURES
        ],
    }


def _resource(kind: Kind, protocols: Sequence[str]) -> Json:
    return {
        "type": "table",
        "name": kind.name,
        "path": f"{kind.name}.csv",
        "description": kind.description,
        "encoding": "utf-8",
        "required": kind.required,
        "schema": {
            "fields": [_field(column, protocols) for column in kind.columns],
            # Optional columns may be left out, and columns of the clinic's own stand beside.
            "fieldsMatch": "partial",
            "missingValues": [""],
            # Samples of one time are averaged, so the grain of such a kind is no key of its rows.
            **({} if kind.averaged else {"primaryKey": list(kind.grain)}),
        },
    }


def _field(column: Column, protocols: Sequence[str]) -> Json:
    field: dict[str, Any] = {
        "name": column.name,
        "type": FIELD_TYPES[column.type],
        "description": column.description,
    }
    if column.unit:
        field["unit"] = column.unit
    if column.type is Type.YES_NO:
        field |= {"trueValues": ["yes"], "falseValues": ["no"]}
    constraints = _constraints(column, protocols)
    return field | ({"constraints": constraints} if constraints else {})


def _constraints(column: Column, protocols: Sequence[str]) -> Json:
    """What a value must keep to; a temperature above its range is kept, so it has no maximum."""
    codes = tuple(protocols) if column.type is Type.PROTOCOL else column.codes
    possible = {
        "required": column.required or None,
        "enum": list(codes) or None,
        "minimum": EARLIEST_DAY.isoformat() if column.type is Type.DATE else column.low,
        "maximum": None if column.kept_above else column.high,
        "pattern": CLINIC_CODE_SHAPE if column.type is Type.CLINIC_CODE else None,
    }
    return {name: value for name, value in possible.items() if value is not None}
