"""The statistical methods as macros in a warehouse, so that an analyst's own rows get our limits.

Their text is rendered from the macros that the models use; methods.yml says what each is called
with.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from dbt.clients.yaml_helper import load_yaml_text

from models.render import MACROS, render

DECLARED = Path(__file__).with_name("methods.yml")
NEXT = "\n-- the next method\n"
RELATION = "relation"
SUBJECT = "same_subject"
EACH_ROW = f"coalesce(cast({SUBJECT} as varchar), 'row ' || row_number() over ())"
COMMENT = re.compile(r"\{#-(.*?)-?#\}", re.DOTALL)


@dataclass(frozen=True)
class Parameter:
    """What a method is called with; it may be left out where it has a default."""

    name: str
    default: str | None
    says: str

    @property
    def with_default(self) -> str:
        return f"{self.name} := {self.default}" if self.default else self.name


@dataclass(frozen=True)
class Method:
    """A macro of the warehouse: what it does, how it is called, the statement that makes it."""

    name: str
    is_table: bool
    says: str
    gives: str
    parameters: tuple[Parameter, ...]
    call: str
    example: str
    worked_out: str
    sql: str

    @property
    def kind(self) -> str:
        return "macro table" if self.is_table else "macro"


@cache
def methods() -> tuple[Method, ...]:
    """Every method, in the order in which they are declared."""
    declared: Any = load_yaml_text(DECLARED.read_text("utf-8"), str(DECLARED))
    known, told = declared["shared_parameters"], declared["methods"]
    bodies = render(NEXT.join(one["body"] for one in told)).split(NEXT)  # reading macros is slow
    return tuple(_method(*one, known) for one in zip(told, bodies, strict=True))


def _method(told: Mapping[str, Any], body: str, known: Mapping[str, Any]) -> Method:
    explained = {**known, **told.get("own", {})}
    parameters = tuple(_parameter(name, explained[name]) for name in told["parameters"])
    is_table = "asked" in told
    text = _of_asked(told, body) if is_table else f"({body})"
    call = f"{told['name']}({', '.join(one.with_default for one in parameters)})"
    return Method(
        told["name"],
        is_table,
        told["says"],
        told.get("gives", "A number."),
        parameters,
        call,
        told["example"],
        _worked_out(told["from"]),
        f"create or replace macro {call} as {text}",
    )


def _parameter(name: str, told: Any) -> Parameter:
    """A text alone says what it is, and that it has no default."""
    explained = told if isinstance(told, dict) else {"says": told}
    return Parameter(name, explained.get("default"), explained["says"])


def _of_asked(told: Mapping[str, Any], body: str) -> str:
    """A query over the caller's rows, of which `asked` has what the method reads.

    Parameters are replaced wherever their names stand; so they stand nowhere else.
    """
    columns = ", ".join(
        f"{EACH_ROW if made_of == SUBJECT else made_of} as {column}"
        for column, made_of in told["asked"].items()
    )
    where = f" where {told['where']}" if "where" in told else ""
    asked = f"select {columns} from query_table({RELATION}){where}"
    return f"table with asked as ({asked}) from ({body}) order by {told['order']}"


def _worked_out(file: str) -> str:
    """How a method is worked out, with its source, as its macro's file says in its first lines."""
    found = COMMENT.search((MACROS / "statistics" / file).read_text("utf-8"))
    if found is None:
        raise ValueError(f"{file} does not begin by saying how it is worked out")
    return found[1].strip()
