"""Renders the project's SQL outside dbt, so that tests run the very macros the models run."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined, pass_context
from jinja2.runtime import Context

MACROS = Path(__file__).parent / "macros"


class _Adapter:
    """What dbt calls `adapter`: picks an engine's version of a macro."""

    def __init__(self, engine: str) -> None:
        self._engine = engine

    @pass_context
    def dispatch(
        self, context: Context, macro_name: str, macro_namespace: str | None = None
    ) -> Callable[..., str]:
        for prefix in (self._engine, "default"):
            macro: Callable[..., str] | None = context.vars.get(f"{prefix}__{macro_name}")
            if macro is not None:
                return macro
        raise KeyError(f"no macro {self._engine}__{macro_name} nor default__{macro_name}")


def render(sql: str, /, *, engine: str = "duckdb", **variables: Any) -> str:
    """Render Jinja text with every macro of the project at hand.

    Args:
        sql: text that may call the project's macros; `ref` gives the bare name, for a table of that
            name; no `source`, which needs dbt.
        engine: whose version of the macros in `macros/dialect` is taken.
        variables: what `var(...)` reads.

    Raises:
        jinja2.UndefinedError: the text names something that does not exist.
        KeyError: a variable is not given, or the engine lacks its version of a macro.
    """
    environment = Environment(  # noqa: S701 - SQL, not HTML
        undefined=StrictUndefined,
        extensions=["jinja2.ext.do", "jinja2.ext.loopcontrols"],
    )
    environment.globals |= {
        "adapter": _Adapter(engine),
        "ref": lambda name: name,
        "var": variables.__getitem__,
    }
    macros = "".join(file.read_text(encoding="utf-8") for file in sorted(MACROS.rglob("*.sql")))
    return environment.from_string(macros + sql).render().strip()
