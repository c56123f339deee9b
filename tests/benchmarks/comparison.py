"""Whether the job's card tables and the script's are the same."""

from collections.abc import Mapping
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

CLOSE = 1e-9
GRAIN = ["rule", "grading", "grade", "site", "protocol", "course_kind"]
GRAINS = {
    "response_by_grade": [*GRAIN, "period"],
    "response_at_session": [*GRAIN, "session_number"],
    "sessions_to_response": [*GRAIN, "session_number"],
}


def differences(warehouse: Path, tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """What differs in the columns that the script gives: a line for each, none if all is equal."""
    with duckdb.connect(str(warehouse), read_only=True) as connection:
        return [
            line
            for name, table in tables.items()
            for line in _differences(
                name, table, connection.sql(f"from cohorts.{name}").df(), GRAINS[name]
            )
        ]


def _differences(name: str, script: pd.DataFrame, job: pd.DataFrame, grain: list[str]) -> list[str]:
    both = job.merge(script, on=grain, how="outer", suffixes=("", "_script"), indicator="found")
    lines = [
        f"{name}: {count} rows {where} only"
        for where, count in both["found"].value_counts().items()
        if where != "both" and count
    ]
    matched = both[both["found"] == "both"]
    if matched.empty:
        return [*lines, f"{name}: no row in common"]
    for column in [name for name in script.columns if name not in grain]:
        ours = matched[column].astype(float).to_numpy()
        theirs = matched[f"{column}_script"].astype(float).to_numpy()
        apart = ~np.isclose(ours, theirs, rtol=CLOSE, atol=CLOSE, equal_nan=True)
        if apart.any():
            first = matched[apart].iloc[0]
            lines.append(
                f"{name}.{column}: {apart.sum()} of {len(matched)} differ, first at "
                f"{first[grain].to_list()}: {first[column]} and {first[f'{column}_script']}"
            )
    return lines
