"""Harms that stand in refused rows, so that refusing a row hides none."""

import polars as pl

from ingest.contract import ADVERSE_EVENTS, EYES, HARMS, SESSIONS, SINGLE_EYES, Kind
from ingest.keys import Rekeying

UNREADABLE_HARM = "unknown"
DIGITS = 16  # of a harm's key
ROW = "row"  # the entity whose id is the place where a row stands
SCHEMA = pl.Schema(
    {
        "harm_key": pl.String,
        "patient_key": pl.String,
        "session_key": pl.String,
        "eye": pl.String,
        "event": pl.String,
        "event_date": pl.Date,
        "source_file": pl.String,
        "source_row": pl.Int64,
    }
)
IN_A_LINE = rf"(?:^|[^A-Za-z_])({'|'.join(HARMS)})(?:$|[^A-Za-z_])"


def harm_column(kind: Kind) -> str | None:
    """The column in which a kind's rows tell of harm."""
    return {SESSIONS.name: "adverse_event", ADVERSE_EVENTS.name: "event"}.get(kind.name)


def harm_in_line(line: pl.Expr) -> pl.Expr:
    """The first harm's code in a line whose cells cannot be told apart."""
    return line.str.extract(IN_A_LINE)


def place_of(batch: str, kind: Kind) -> pl.Expr:
    """Where a row of a batch stands, in one text, from its `source_file` and `source_row`."""
    return pl.format(f"{batch}/{kind.name}/{{}}/{{}}", "source_file", "source_row")


def harms_among(
    rows: pl.DataFrame, kind: Kind, site: str, batch: str, rekeying: Rekeying
) -> pl.DataFrame:
    """Harms in rows as quarantine holds them.

    Every row of adverse_events is one. A row of sessions is one where its cell holds anything
    but `none`; a code that cannot be read counts as the harm `unknown`. A harm is known by its
    session and eye or by its event; where these are missing, by where the row stands.
    """
    column = harm_column(kind)
    if column is None or rows.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    of_session = kind is SESSIONS
    if of_session:
        rows = rows.filter(pl.col(column).is_not_null() & (pl.col(column) != "none"))
    code, eye = pl.col(column), pl.col("eye")
    day = pl.col("session_date" if of_session else "onset_date")
    places = rows.select(place_of(batch, kind))
    own_key = pl.col("session_key" if of_session else "event_key").str.head(DIGITS)
    if of_session:
        own_key = own_key + "-" + pl.when(eye.is_in(SINGLE_EYES)).then(eye.str.head(1))
    return rows.with_columns(
        place_key=rekeying.keys(places.to_series(), site, ROW).str.head(DIGITS)
    ).select(
        harm_key=pl.coalesce(own_key, "place_key"),
        patient_key="patient_key",
        session_key="session_key",
        eye=pl.when(eye.is_in(EYES)).then(eye),
        event=pl.when(code.is_in(HARMS)).then(code).otherwise(pl.lit(UNREADABLE_HARM)),
        event_date=day.str.to_date("%Y-%m-%d", strict=False),
        source_file="source_file",
        source_row="source_row",
    )


def harms_accepted(
    rows: pl.DataFrame, kind: Kind, site: str, batch: str, rekeying: Rekeying
) -> pl.DataFrame:
    """Harms in rows as the store of accepted rows holds them, with how bad a report says it was."""
    as_told = rows.with_columns(pl.col(pl.Date).dt.to_string("%Y-%m-%d"))
    harms = harms_among(as_told, kind, site, batch, rekeying)
    if kind is ADVERSE_EVENTS:  # every row of it is a harm
        return harms.with_columns(rows["severity"], rows["serious"])
    return harms
