"""What the models' own docs say of the published tables, for whoever shows them to people."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dbt.clients.yaml_helper import load_yaml_text

LAYERS = Path(__file__).parent / "layers"
BY_DEFINITION = ("response_by_definition", "session_response_by_definition")  # of `defined`


@dataclass(frozen=True)
class Estimand:
    """What a published table estimates, in sentences; codes of its columns stand in backticks."""

    population: str
    variable: str
    intercurrent_events: str
    summary: str


def estimands() -> dict[str, Estimand]:
    """The estimand of each published table, by the table's name; lists have none.

    Raises:
        TypeError: a part is missing, or there is one too many.
    """
    return {
        model["name"]: Estimand(**{part: text.strip() for part, text in stated.items()})
        for model in _models()
        if (stated := model.get("config", {}).get("meta", {}).get("estimand"))
    }


def grains() -> dict[str, list[str]]:
    """The columns that tell a table's rows apart, by its name: of published tables, and of what
    comes of a group's own definitions.
    """
    return {
        model["name"]: test["one_row_per"]["arguments"]["columns"]
        for model in _models()
        for test in model["data_tests"]
        if "one_row_per" in test
    }


def _models() -> Iterator[dict[str, Any]]:
    of_definitions = (LAYERS / "defined" / f"{name}.yml" for name in BY_DEFINITION)
    for path in (*sorted(LAYERS.glob("cohorts/*.yml")), *of_definitions):
        described: Any = load_yaml_text(path.read_text(encoding="utf-8"), str(path))
        yield from described["models"]
