"""A small invented release: a warehouse with the published columns and figures that add up.

The columns are read from the models' own contracts, so that this cannot drift from them; the
figures are made up. One clinic's label holds markup, one clinic is a month late, one harm waits.
"""

import random
from collections.abc import Iterable, Sequence
from datetime import date
from itertools import product
from pathlib import Path

import duckdb
import polars as pl
import yaml

from pipeline.settings import Settings
from pipeline.workspace import Release

CONTRACTS = Path(__file__).parents[2] / "models" / "layers" / "cohorts"
AS_OF = date(2026, 4, 30)
MONTHS = ("2026-01", "2026-02", "2026-03", "2026-04")
SITES = ("alder", "birch", "cedar")
PROTOCOLS = {"four_fortnightly": 4, "three_monthly": 3}
MARKUP = "Alder <script>alert(1)</script> & Row"
GRADES = {
    "symptoms": ("normal", "mild", "moderate", "severe", "unknown"),
    "clinician": ("mild", "moderate", "severe", "unknown"),
    "glands": ("none", "stage1", "stage2", "stage3", "stage4", "unknown"),
}
END_REASONS = (
    *("completed", "improved_enough", "no_benefit", "adverse_event", "cost", "discomfort"),
    *("moved", "lost_contact", "died", "other", "unknown"),
)
OTHER_TABLES = """
create schema quality; create schema courses; create schema staging; create schema seeds;
create table staging.stg_sites (site varchar, label varchar, exports varchar, position bigint,
    cutoff date);
create table staging.stg_batches (site varchar, batch varchar, first_day date, last_day date,
    position bigint);
create table quality.files (site varchar, batch varchar, kind varchar, file varchar, bytes bigint,
    rows_read bigint, accepted bigint, refused bigint, exact_repeats bigint,
    forgotten bigint, file_refused boolean, file_reason varchar);
create table quality.refused_reasons (site varchar, batch varchar, kind varchar, file varchar,
    column_name varchar, reason varchar, rows bigint, would_have_replaced bigint,
    first_rows varchar);
create table quality.refusal_changes (site varchar, batch varchar, kind varchar, finding varchar,
    column_name varchar, reason varchar, times bigint, times_before bigint, change bigint,
    rows_read bigint, rows_read_before bigint);
create table quality.flagged_values (site varchar, batch varchar, kind varchar, file varchar,
    column_name varchar, reason varchar, flagged bigint);
create table quality.restatements (site varchar, month varchar, figure varchar,
    published_before decimal(18, 6), published_now decimal(18, 6), change decimal(18, 6),
    batches_since varchar, release_before varchar);
create table quality.harms_to_settle (site varchar, harm_key varchar, why varchar, event varchar,
    event_date date, batch varchar, settled boolean, decision varchar);
create table quality.gate_results (gate varchar, expectation varchar, description varchar,
    severity varchar, success boolean, observed varchar, offending varchar, next_step varchar);
create table courses.adverse_events (adverse_event_id varchar, site varchar, patient_key varchar,
    harm_key varchar, event_date date, event varchar, severity varchar, serious boolean,
    eye varchar, source varchar, session_date date, course_id varchar, protocol varchar,
    purpose varchar, device varchar);
create table courses.losses_by_noise (rule varchar, amount double, times_amount double,
    seen_every_days bigint, by_day bigint, noise double, lost double);
"""
QUALITY_ROWS = """
insert into staging.stg_sites values
    ('alder', ?, 'changes', 1, date '2026-04-30'), ('birch', '', 'full', 2, date '2026-04-30'),
    ('cedar', 'Cedar Court', 'changes', 3, date '2026-03-31');
"""


def settings(**changes: object) -> Settings:
    content = {
        "group": {"name": "Invented <i>Tree</i> Clinics"},
        "site": [
            {"code": "alder", "label": MARKUP},
            {"code": "birch", "exports": "full"},
            {"code": "cedar", "label": "Cedar Court"},
        ],
        "protocol": [
            {
                "code": "four_fortnightly",
                "label": "Four sessions, two weeks apart",
                "sessions_planned": 4,
            },
            {
                "code": "three_monthly",
                "label": "Three sessions, a month apart",
                "sessions_planned": 3,
            },
        ],
    }
    return Settings.model_validate(content | changes)


def make_release(root: Path, *, seed: int = 7, courses: int = 900) -> Release:
    """Write the warehouse of a release with about so many courses; equal seeds, equal tables."""
    release = Release(root, settings(), AS_OF)
    root.mkdir(parents=True)
    with duckdb.connect(str(release.warehouse)) as connection:
        connection.execute("create schema cohorts")
        connection.execute(OTHER_TABLES)
        connection.execute(QUALITY_ROWS, [MARKUP])
        _insert_quality(connection)
        for table, columns in contracts().items():
            described = ", ".join(f"{name} {kind}" for name, kind in columns.items())
            connection.execute(f"create table cohorts.{table} ({described})")
        chance = random.Random(seed)
        _fill_response(connection, chance, courses)
        _fill_sessions(connection, chance, courses)
        _fill_sheets(connection)
        _fill_months(connection, chance)
        _fill_side_by_side(connection)
        _fill_curves(connection)
        _fill_comparisons(connection, courses)
        _fill_leaving(connection)
        _fill_doses(connection)
        _fill_seeds(connection)
    release.models_page.write_text("<p>The build's own page.</p>")
    return release


def contracts() -> dict[str, dict[str, str]]:
    """Columns and types of each cohort table, as its model's contract says."""
    models = [
        model
        for path in sorted(CONTRACTS.glob("*.yml"))
        for model in yaml.safe_load(path.read_text())["models"]
    ]
    return {
        model["name"]: {column["name"]: column["data_type"] for column in model["columns"]}
        for model in models
    }


def _insert_quality(connection: duckdb.DuckDBPyConnection) -> None:
    for site in SITES:
        for position, month in enumerate(MONTHS, start=1):
            if site == "cedar" and month == "2026-04":
                continue
            connection.execute(
                "insert into staging.stg_batches values (?, ?, ?, last_day(?), ?)",
                [site, month, date.fromisoformat(f"{month}-01"), date.fromisoformat(f"{month}-01")]
                + [position],
            )
            for kind in ("visits", "sessions", "outcomes"):
                connection.execute(
                    "insert into quality.files values (?, ?, ?, ?, 9000, 120, 112, 4, 1, 3, false, null)",
                    [site, month, kind, f"{kind}.csv"],
                )
    connection.execute(
        "insert into quality.files values "
        "('birch', '2026-04', 'patients', 'patients.csv', 900, 0, 0, 0, 0, 0, true,"
        " 'a column seems to hold birth dates')"
    )
    reasons = (
        *("missing", "unreadable", "out_of_range", "unknown_code", "after_batch", "before_2000"),
        *("needs_single_eye", "needs_both_eyes", "unknown_protocol", "repeated_key"),
        "eyes_disagree",
    )
    for reason in reasons:
        connection.execute(
            "insert into quality.refused_reasons values "
            "('alder', '2026-04', 'outcomes', 'outcomes.csv', 'value', ?, 3, 1, '5 9 21')",
            [reason],
        )
    connection.execute(
        "insert into quality.flagged_values values "
        "('alder', '2026-04', 'sessions', 'sessions.csv', 'plateau_temp_c', 'above_range', 2)"
    )
    connection.execute(
        "insert into quality.refusal_changes values "
        "('alder', '2026-03', 'outcomes', 'row_refused', 'value', 'missing', 1, 0, 1, 120, 0),"
        "('alder', '2026-04', 'outcomes', 'row_refused', 'value', 'missing', 3, 1, 2, 120, 120),"
        "('alder', '2026-04', 'outcomes', 'row_refused', 'eye', 'missing', 0, 5, -5, 120, 120),"
        "('alder', '2026-04', 'visits', 'value_flagged', '=1+1', 'unknown_column', 7, 7, 0, 120,"
        " 120)"
    )
    connection.execute(
        "insert into quality.restatements values "
        "('alder', '2026-02', 'sessions', 64, 66, 2, '2026-02;2026-04', '2026-03-31-0badc0de'),"
        "('alder', '2026-02', 'harms', null, 3, null, '2026-02;2026-04', '2026-03-31-0badc0de'),"
        "('alder', '2026-03', 'symptoms_responders', 5, 4, -1, '2026-02;2026-04',"
        " '2026-03-31-0badc0de')"
    )
    connection.execute(
        "insert into quality.harms_to_settle values "
        "('alder', '0123456789abcdef-r', 'withdrawn', 'burn', '2026-02-11', '2026-02', false, null),"
        "('birch', 'fedcba9876543210', 'lowered', 'blister', '2026-01-20', '2026-01', true,"
        " 'entered <b>twice</b>')"
    )
    connection.execute(
        "insert into quality.gate_results values "
        "('arrival', 'volume', 'A batch has far fewer rows than its site usually sends', 'warn',"
        " false, '31 rows, usually 115', 'cedar/2026-03/visits', 'Ask the clinic for the rest.'),"
        "('built', 'rates', 'Every rate lies between its limits', 'stop', true, 'all do', '', '')"
    )
    connection.execute(
        "insert into courses.adverse_events values "
        "('alder/0123456789abcde0-r', 'alder', 'p1', '0123456789abcde0-r', '2026-04-09', 'redness',"
        " 'unknown', null, 'right', 'session', '2026-04-09', 'c1', 'four_fortnightly', 'course', 'd1')"
    )


def _add_up(
    connection: duckdb.DuckDBPyConnection,
    keys: Sequence[str],
    dimensions: Sequence[str],
    counts: Sequence[str],
) -> None:
    """Table `totals` from table `base`: counts added up on every level of the dimensions."""
    levels = [f"case when grouping({d}) = 1 then 'all' else {d} end as {d}" for d in dimensions]
    sums = [f"cast(sum({c}) as bigint) as {c}" for c in counts]
    grouping = [*keys, f"cube ({', '.join(dimensions)})"]
    connection.execute(
        f"create or replace table totals as select {', '.join([*keys, *levels, *sums])} "
        f"from base group by {', '.join(grouping)}"
    )


def _insert(connection: duckdb.DuckDBPyConnection, table: str, worked_out: str) -> None:
    """Fill a cohort table by name from `totals`; columns not worked out stay null."""
    connection.execute(f"insert into cohorts.{table} by name select * from ({worked_out})")


def _base(
    connection: duckdb.DuckDBPyConnection,
    columns: Sequence[str],
    rows: Iterable[tuple[object, ...]],
) -> None:
    """Table `base`, with its columns described as `name type`."""
    connection.execute("create or replace table base (" + ", ".join(columns) + ")")
    names = [column.split()[0] for column in columns]
    frame = pl.DataFrame(list(rows), schema=names, orient="row", infer_schema_length=None)
    connection.register("rows_of_base", frame)
    connection.execute("insert into base from rows_of_base")
    connection.unregister("rows_of_base")


def _patients(chance: random.Random, courses: int) -> list[tuple[str, str, str, str]]:
    return [
        (
            chance.choices(SITES, (6, 3, 1))[0],
            chance.choices(tuple(PROTOCOLS), (3, 1))[0],
            chance.choices(("first", "repeat"), (9, 1))[0],
            chance.choices(("last_12_months", "earlier"), (2, 1))[0],
        )
        for _ in range(courses)
    ]


def _fill_response(
    connection: duckdb.DuckDBPyConnection, chance: random.Random, courses: int
) -> None:
    outcomes = ("not_applicable", "not_measured", "responders", "unchanged", "worsened")
    rows = []
    for rule, gradings in (("symptoms", 2), ("tear_film", 3), ("glands", 3)):
        unit = "course" if rule == "symptoms" else "eye"
        for where in _patients(chance, courses):
            outcome = chance.choices(outcomes, (5, 25, 45, 20, 5))[0]
            treated = outcome in outcomes[2:] and chance.random() < 0.2
            counts = [int(outcome == name) for name in outcomes]
            for grading in tuple(GRADES)[:gradings]:
                grade = chance.choice(GRADES[grading])
                if (rule, grading, outcome) == ("symptoms", "symptoms", "not_applicable"):
                    grade = "normal"
                rows.append((rule, unit, grading, grade, *where, 1, *counts, int(treated)))
    counts = ("courses", *outcomes, "treated_otherwise")
    _base(
        connection,
        [
            *(f"{c} varchar" for c in ("rule", "unit", "grading", "grade", "site", "protocol")),
            "course_kind varchar",
            "period varchar",
            *(f"{count} bigint" for count in counts),
        ],
        rows,
    )
    dimensions = ("grade", "site", "protocol", "course_kind", "period")
    _add_up(connection, ("rule", "unit", "grading"), dimensions, counts)
    _insert(
        connection,
        "response_by_grade",
        """
        select rule, unit, grading, grade, site, protocol, course_kind, period,
            'all' in (grade, site, protocol, course_kind) as is_total,
            courses, courses as patients, not_applicable, not_measured,
            responders + unchanged + worsened as evaluable, responders, unchanged, worsened,
            responders / nullif(evaluable, 0) as response_rate,
            greatest(response_rate - 0.1, 0) as rate_low, least(response_rate + 0.1, 1) as rate_high,
            responders / nullif(courses - not_applicable, 0) as rate_if_missing_failed,
            (responders + not_measured) / nullif(courses - not_applicable, 0)
                as rate_if_missing_responded,
            9.5 as mean_improvement, 9 as median_improvement, 0.11 as rate_by_noise,
            1.9 as regression_alone,
            treated_otherwise / nullif(evaluable, 0) as other_treatment
        from totals where course_kind <> 'repeat' and period <> 'earlier'
        """,
    )


def _fill_sessions(
    connection: duckdb.DuckDBPyConnection, chance: random.Random, courses: int
) -> None:
    rows = []
    for rule, gradings in (("symptoms", 2), ("tear_film", 3), ("glands", 3)):
        for site, protocol, kind, _ in _patients(chance, courses):
            done = chance.choices(range(1, 5), (1, 1, 1, 9))[0]
            done = min(done, PROTOCOLS[protocol])
            responds_at = chance.choices((1, 2, 3, 4, 9), (2, 3, 2, 1, 3))[0]
            for grading in tuple(GRADES)[:gradings]:
                grade = chance.choice(GRADES[grading])
                for k in range(1, PROTOCOLS[protocol] + 1):
                    treated = k <= done
                    measured = treated and (site, protocol, k) != ("cedar", "three_monthly", 2)
                    responding = measured and k >= responds_at
                    worsened = measured and not responding and responds_at == 9 and k == 2
                    stopped = not treated
                    at_risk = treated and k <= min(responds_at, done)
                    responded = at_risk and k == responds_at
                    left = at_risk and not responded and k == done
                    ended = left and k < PROTOCOLS[protocol]
                    flags = (1, treated, measured, responding, worsened, stopped, at_risk)
                    flags = (*flags, responded, ended, left and not ended)
                    where = (rule, grading, grade, site, protocol, kind, k)
                    rows.append((*where, *(int(flag) for flag in flags)))
    counts = ("begun", "treated", "measured", "responding", "worsened", "stopped", "at_risk")
    counts = (*counts, "responded", "ended", "censored")
    text = ("rule", "grading", "grade", "site", "protocol", "course_kind")
    _base(
        connection,
        [
            *(f"{column} varchar" for column in text),
            "session_number bigint",
            *(f"{count} bigint" for count in counts),
        ],
        rows,
    )
    dimensions = ("grade", "site", "protocol", "course_kind")
    _add_up(connection, ("rule", "grading", "session_number"), dimensions, counts)
    within = (
        "from totals where course_kind <> 'repeat' and session_number <= "
        "case protocol when 'four_fortnightly' then 4 else 3 end"
    )
    shared = (
        "rule, grading, grade, site, protocol, course_kind, session_number, "
        "'all' in (grade, site, protocol, course_kind) as is_total"
    )
    _insert(
        connection,
        "response_at_session",
        f"""
        select {shared}, begun, treated, measured, responding, worsened, stopped,
            responding / begun as response_share, greatest(response_share - 0.1, 0) as share_low,
            least(response_share + 0.1, 1) as share_high {within}
        """,
    )
    if "sessions_to_response" in contracts():
        _insert(
            connection,
            "sessions_to_response",
            f"""
            select {shared}, at_risk, responded, ended as stopped, censored,
                0.9 - session_number / 10 as not_yet, 0.02 as not_yet_se,
                not_yet - 0.05 as not_yet_low, not_yet + 0.05 as not_yet_high,
                1 - not_yet as responded_by, responded_by - 0.02 as incidence,
                incidence - 0.05 as incidence_low, incidence + 0.05 as incidence_high {within}
            """,
        )


def _fill_sheets(connection: duckdb.DuckDBPyConnection) -> None:
    """What sheets show: the rows of the symptoms rule, and harms of courses invented beside them."""
    whole = "site = 'all' and protocol = 'all' and course_kind = 'all'"
    graded = (
        "rule = 'symptoms' and grading = 'symptoms' and grade in ('mild', 'moderate', 'severe')"
    )
    _insert(
        connection,
        "expected_course",
        f"""
        select grade, courses, not_measured, evaluable, responders, unchanged, worsened,
            responders / courses as better_share, unchanged / courses as unchanged_share, worsened / courses as worsened_share,
            not_measured / courses as not_measured_share, courses // 4 as stopped,
            courses // 4 / courses as stopped_share, 3 as sessions_low, 4 as sessions_median,
            4 as sessions_high
        from cohorts.response_by_grade where period = 'all' and {graded} and {whole}
        """,
    )
    _insert(
        connection,
        "expected_at_session",
        f"""
        select grade, session_number, begun, begun - measured as not_measured, measured, responding,
            measured - responding - worsened as unchanged, worsened,
            response_share as better_share, share_low as better_low, share_high as better_high,
            unchanged / begun as unchanged_share, worsened / begun as worsened_share,
            not_measured / begun as not_measured_share
        from cohorts.response_at_session where {graded} and {whole}
        """,
    )
    felt = "case event when 'redness' then asked // 5 when 'discomfort' then asked // 9 when 'swelling' then 1 else 0 end"
    _insert(
        connection,
        "felt_in_courses",
        f"""
        select coalesce(grade, 'all') as grade, event, grade is null as is_total,
            cast(sum(courses) as bigint) as courses, cast(sum(courses - 20) as bigint) as asked,
            cast(sum({felt}) as bigint) as felt, sum({felt}) / sum(courses - 20) as felt_share,
            greatest(felt_share - 0.05, 0) as share_low, felt_share + 0.05 as share_high
        from (
            select grade, courses, courses - 20 as asked
            from cohorts.response_by_grade
            where period = 'all' and rule = 'symptoms' and grading = 'symptoms' and grade <> 'all' and {whole}
        )
        cross join (
            values ('redness'), ('discomfort'), ('swelling'), ('blister'), ('burn'), ('corneal'), ('other')
        ) as kinds (event)
        group by event, rollup (grade)
        """,
    )
    _insert(
        connection,
        "home_care",
        """
        select grade, site, protocol, course_kind, is_total, courses, evaluable as measured,
            responders as halved, response_rate as halved_share, rate_low as share_low,
            rate_high as share_high, 14 as median_minutes_before, 6 as median_minutes_after
        from cohorts.response_by_grade
        where period = 'all' and rule = 'symptoms' and grading = 'symptoms'
        """,
    )


def _fill_months(connection: duckdb.DuckDBPyConnection, chance: random.Random) -> None:
    harms = ("redness", "discomfort", "swelling", "blister", "burn", "corneal", "other")
    sessions, events = [], []
    for site, share in zip(SITES, (60, 30, 9), strict=True):
        for month in MONTHS:
            if site == "cedar" and month == "2026-04":
                continue
            for _ in range(share + chance.randrange(9)):
                protocol = chance.choice(tuple(PROTOCOLS))
                asked = int(chance.random() < 0.9 and (site, month) != ("birch", "2026-02"))
                flags = [int(chance.random() < p) for p in (0.9, 0.85, 0.03, 0.8, 0.02)]
                sessions.append((site, protocol, month, 1, asked, 2, *flags))
                if asked and chance.random() < 0.1:
                    event = chance.choices(harms, (9, 6, 2, 1, 0, 0, 1))[0]
                    severity = chance.choice(("mild", "moderate", "unknown"))
                    events.append((site, protocol, month, event, severity, 1, 0))
    flags = ("in_band", "in_minutes", "over_temperature", "expressed", "stopped_early")
    text = [f"{column} varchar" for column in ("site", "protocol", "month")]
    counts = ("sessions", "asked", "session_eyes", *flags)
    _base(connection, [*text, *(f"{count} bigint" for count in counts)], sessions)
    _add_up(connection, (), ("site", "protocol", "month"), counts)
    _insert(
        connection,
        "delivery",
        """
        select site, protocol, month, session_eyes, session_eyes as in_band_recorded,
            in_band / sessions as in_band_share, session_eyes as in_minutes_recorded,
            in_minutes / sessions as in_minutes_share, 0 as spacing_kept_recorded,
            session_eyes as over_temperature_recorded,
            over_temperature / sessions as over_temperature_share, 2 * expressed as expressed,
            2 * stopped_early as stopped_early, session_eyes as screened,
            session_eyes as consent_recorded
        from totals
        """,
    )
    connection.execute("create or replace table places as from totals")
    month_rows(connection)
    _base(
        connection,
        [*text, "event varchar", "severity varchar", "events bigint", "serious bigint"],
        events,
    )
    dimensions = ("site", "protocol", "month", "event", "severity")
    _add_up(connection, (), dimensions, ("events", "serious"))
    kinds = ", ".join(f"('{event}')" for event in (*harms, "all"))
    _insert(
        connection,
        "safety",
        f"""
        select places.site, places.protocol, places.month, kinds.event, grades.severity,
            places.sessions, places.asked, coalesce(totals.events, 0) as events,
            coalesce(totals.serious, 0) as serious, 100.0 * events / nullif(asked, 0) as rate_per_100,
            rate_per_100 / 2 as rate_low, rate_per_100 + 300.0 / nullif(asked, 0) as rate_high
        from places
        cross join (values {kinds}) as kinds (event)
        cross join (values ('mild'), ('moderate'), ('severe'), ('unknown'), ('all'))
            as grades (severity)
        left join totals on places.site = totals.site and places.protocol = totals.protocol
            and places.month = totals.month and kinds.event = totals.event
            and grades.severity = totals.severity
        """,
    )


def month_rows(connection: duckdb.DuckDBPyConnection) -> None:
    """month_summary and course_funnel beside the sessions in `places`."""
    _insert(
        connection,
        "month_summary",
        """
        select site, month, sessions // 4 as new_courses, sessions, sessions - 2 as treated_patients,
            26.0 * sessions as chair_minutes, sessions // 5 as completed, sessions // 20 as stopped,
            sessions // 5 as matured, sessions // 7 as evaluable, sessions // 12 as responders,
            sessions // 3 as due, sessions // 9 as overdue,
            case when asked > 0 then sessions // 25 end as harms, asked as sessions_asked,
            12 as refused_rows
        from places where protocol = 'all' and site <> 'all' and month <> 'all'
        """,
    )
    ends = ", ".join(
        f"{'sessions // 20' if reason == 'cost' else '0'} as end_{reason}" for reason in END_REASONS
    )
    _insert(
        connection,
        "course_funnel",
        f"""
        select site, month, sessions as assessed, sessions // 2 as recommended,
            sessions // 3 as accepted, sessions // 4 as started, sessions // 5 as completed,
            sessions // 20 as stopped, {ends}
        from places where protocol = 'all' and site <> 'all' and month <> 'all'
        """,
    )
    connection.execute(
        """
        insert into cohorts.recall_due values
            ('alder', 'p1', '2025-10-01', '2026-03-30', '2026-10-01', 'due', 0, 'active', true),
            ('alder', 'p2', '2025-08-05', '2026-02-01', '2026-08-05', 'due', 0, 'unknown', true),
            ('alder', 'p3', '2025-04-20', '2025-10-17', '2026-04-20', 'overdue', 10, 'active', true),
            ('alder', '=p4', '2025-03-01', '2025-08-28', '2026-03-01', 'overdue', 60, 'active', true),
            ('alder', 'p5', '2025-03-01', '2025-08-28', '2026-03-01', 'overdue', 60, 'deceased', false),
            ('alder', 'p6', '2025-03-01', '2025-08-28', '2026-03-01', 'overdue', 60, 'moved', false),
            ('birch', 'p7', '2025-08-05', '2026-02-01', '2026-08-05', 'due', 0, 'declined_recall', false)
        """
    )
    connection.execute(
        """
        insert into cohorts.late_sessions values
            ('alder', 'p4', 'four_fortnightly', '2026-03-20', 2, 4, '2026-04-10', 20, 'active', null,
                true),
            ('alder', 'p5', 'three_monthly', '2026-02-20', 1, 3, '2026-03-27', 34, 'active', 'cost',
                false)
        """
    )
    _insert(
        connection,
        "month_outcomes",
        """
        with counted as (
            select site, month, rule, unit, sessions // 5 + 1 as courses, 1 as not_applicable,
                courses - 1 as applicable,
                sessions // 7 as evaluable, applicable - evaluable as not_measured,
                sessions // 20 as unchanged, 1 as worsened,
                evaluable - unchanged - 1 as responders
            from places
            cross join (values ('symptoms', 'course'), ('tear_film', 'eye'), ('glands', 'eye'))
                as rules (rule, unit)
            where protocol = 'all' and site <> 'all' and month <> 'all'
        )
        select *, responders / nullif(evaluable, 0) as response_rate,
            evaluable / (courses - 1) as capture_rate, 120 as before_evaluable,
            case month when '2026-02' then 6 when '2026-01' then 114 else 72 end as before_responders,
            before_responders / 120 as before_rate, 0.8 as before_capture_rate,
            case month when '2026-01' then 0.8 else 0 end as limit_low,
            case month when '2026-02' then 0.3 else 1 end as limit_high,
            case when site = 'alder' then month < '2026-03' end as beyond_limits,
            case when site <> 'alder' then 'fewer than 10 evaluable in the month; fewer than 60 % '
                || 'measured' end as reason
        from counted
        """,
    )
    _insert(
        connection,
        "month_home_care",
        """
        select site, month, sessions // 5 as courses,
            case month when '2026-03' then 0 else sessions // 10 end as measured,
            least(measured, sessions // 20) as halved, case when measured > 0 then 20.0 end
            as median_minutes_before, case when measured > 0 then 7.5 end as median_minutes_after
        from places where protocol = 'all' and site <> 'all' and month <> 'all'
        """,
    )
    _insert(
        connection,
        "month_records",
        """
        select site, month, sessions - asked as sessions_not_asked, asked as sessions_timed,
            cast(site = 'birch' and month = '2026-04' as bigint) as files_refused,
            12 as rows_refused, 2 as values_flagged
        from places where protocol = 'all' and site <> 'all' and month <> 'all'
        """,
    )
    _insert(
        connection,
        "broken_off",
        """
        select site, month, 2 as sessions_given, stopped as courses
        from cohorts.month_summary where stopped > 0
        """,
    )


def _fill_side_by_side(connection: duckdb.DuckDBPyConnection) -> None:
    """The latest month, of the clinics that have it, beside their delivery and harms."""
    _insert(
        connection,
        "months_side_by_side",
        """
        with counted as (
            select coalesce(site, 'all') as site, month, sum(new_courses) as new_courses,
                sum(completed) as completed, sum(stopped) as stopped, sum(matured) as matured,
                sum(evaluable) as evaluable, sum(responders) as responders
            from cohorts.month_summary where month = '2026-04' group by month, cube(site)
        )
        select counted.*, site = 'all' as is_total, safety.sessions, asked, events,
            responders / nullif(evaluable, 0) as response_rate, session_eyes, in_band_recorded,
            in_band_share
        from counted
        inner join cohorts.safety using (site, month)
        inner join cohorts.delivery using (site, month, protocol)
        where protocol = 'all' and event = 'all' and severity = 'all'
        """,
    )


def _fill_curves(connection: duckdb.DuckDBPyConnection) -> None:
    """Curves that fall, or rise, by three of 400 every five days; with one protocol, of nine."""
    steps = """
        select 'all' as site, protocol, 120 + 5 * step as days, true as is_total,
            followed - 3 * (step - 1) as at_risk, 3 as events,
            (followed - 3 * step) / cast(followed as double) as left_over,
            greatest(left_over - 0.05, 0.001) as low, least(left_over + 0.05, 0.999) as high
        from (values ('all', 400), ('four_fortnightly', 391), ('three_monthly', 9))
            as groups (protocol, followed)
        cross join range(1, 90) as steps (step)
        where 3 * step < followed
    """
    _insert(
        connection,
        "durability",
        f"""
        select rule, estimand, 'symptoms' as grading, 'all' as grade, site, protocol, days,
            is_total, at_risk, events as lost, 0 as censored, left_over as holding,
            low as holding_low, high as holding_high
        from ({steps})
        cross join (values ('symptoms'), ('tear_film')) as rules (rule)
        cross join (values ('lost_or_retreated'), ('until_retreatment'), ('whatever_followed'))
            as estimands (estimand)
        """,
    )
    _insert(
        connection,
        "maintenance_return",
        f"""
        select site, protocol, days, is_total, at_risk, events as returned,
            1 - left_over as returned_by, 1 - high as returned_low, 1 - low as returned_high
        from ({steps})
        """,
    )
    connection.execute(
        "insert into courses.losses_by_noise values "
        "('symptoms', 7.3, 1, 90, 365, 7, 0.3), ('symptoms', 7.3, 2, 90, 365, 7, 0.12),"
        "('symptoms', 7.3, 1, 180, 365, 7, 0.17), ('symptoms', 7.3, 2, 180, 365, 7, 0.06),"
        "('glands', 5, 1, 90, 365, null, null)"
    )


def _fill_leaving(connection: duckdb.DuckDBPyConnection) -> None:
    """Birch half as large as alder, cedar without plans; few moved, and few waited for an answer."""
    ends = {"cost": 28, "discomfort": 42, "moved": 3}
    decisions = {"recommended": 40, "declined": 60, "deferred": 25, "not_suitable": 30}
    columns = [f"{column} bigint" for column in contracts()["leaving"] if column != "site"]
    rows = []
    for site, shrink in (("alder", 1), ("birch", 2)):
        stopped = {f"end_{reason}": n // shrink for reason, n in ends.items()}
        waiting = {f"not_started_{decision}": n // shrink for decision, n in decisions.items()}
        left = sum(stopped.values())
        counts = {"completed": 150 // shrink, "in_progress": 0, "stopped": left}
        started = counts["completed"] + left
        counts |= {
            "started": started,
            "assessed": started + sum(waiting.values()),
            "recommended": started + sum(waiting.values()) - waiting["not_started_not_suitable"],
            "accepted": started,
        }
        values = counts | stopped | waiting
        rows.append((site, *(values.get(column.split()[0], 0) for column in columns)))
    _base(connection, ["site varchar", *columns], rows)
    _add_up(connection, (), ("site",), [column.split()[0] for column in columns])
    _insert(connection, "leaving", "select * from totals")
    connection.execute(
        """
        insert into cohorts.waiting_times values
            ('alder', 'recommended_to_accepted', 60, 2, 4, 8),
            ('birch', 'recommended_to_accepted', 9, 2, 5, 8),
            ('all', 'recommended_to_accepted', 69, 2, 4, 8),
            ('alder', 'accepted_to_first_session', 170, 3, 7.5, 14),
            ('birch', 'accepted_to_first_session', 80, 4, 9, 21),
            ('all', 'accepted_to_first_session', 250, 3, 8, 16)
        """
    )
    connection.execute(
        """
        insert into cohorts.safety_by_device values
            ('alder', 'lid<b>1</b>', 120, 110, 6, 1, 5.45, 2.0, 11.87),
            ('alder', 'lid2', 60, 50, 0, 0, 0, 0, 7.38),
            ('alder', 'unknown', 3, 0, 1, 0, null, null, null),
            ('birch', 'lid1', 90, 80, 4, 0, 5, 1.36, 12.8)
        """
    )


def _fill_doses(connection: duckdb.DuckDBPyConnection) -> None:
    """Quarters of heating time, of which birch's third is small."""
    rows = [
        (rule, site, "four_fortnightly", quarter, evaluable, evaluable * (5 + quarter) // 10)
        for rule in ("symptoms", "glands")
        for site, evaluable in (("alder", 120), ("birch", 120))
        for quarter in (1, 2, 3, 4)
        if (site, quarter) != ("birch", 3)
    ]
    rows.append(("symptoms", "birch", "four_fortnightly", 3, 6, 3))
    counts = ("evaluable", "responders")
    _base(
        connection,
        [
            *(f"{column} varchar" for column in ("rule", "site", "protocol")),
            *(f"{column} bigint" for column in ("dose_quarter", *counts)),
        ],
        rows,
    )
    _add_up(connection, ("rule", "dose_quarter"), ("site", "protocol"), counts)
    _insert(
        connection,
        "dose_response",
        """
        select rule, site, protocol, dose_quarter, 'all' in (site, protocol) as is_total, evaluable,
            responders, responders / evaluable as response_rate, response_rate - 0.1 as rate_low,
            least(response_rate + 0.1, 1) as rate_high, 100.0 * dose_quarter as seconds_from,
            100.0 * dose_quarter + 90 as seconds_to
        from totals
        """,
    )


def _fill_comparisons(connection: duckdb.DuckDBPyConnection, courses: int) -> None:
    """One pair alike, one not comparable, one apart; a clinic far off, and one too small."""
    connection.execute(
        """
        insert into cohorts.protocol_comparison by name
        select *, 'three_monthly' as protocol, 'four_fortnightly' as reference_protocol,
            300 as courses, 200 as evaluable, 0.95 as share_in_overlap, reason is null as comparable
        from (values
            ('symptoms', 0.61, 0.64, 0.62, 0.63, -0.01, -0.09, 0.07, -0.02, null, 0.6, 0.6),
            ('tear_film', 0.52, 0.58, 0.87, 0.93, null, null, null, null,
                'fewer than 60 % measured with one of the two; fewer than 50 % in severity bands '
                || 'that both share', null, null),
            ('glands', 0.71, 0.45, 0.7, 0.46, 0.24, 0.15, 0.33, 0.23, null, 0.0004, 0.0008)
        ) as pairs (
            rule, crude_rate, reference_crude_rate, standardised_rate,
            reference_standardised_rate, difference, difference_low, difference_high,
            mh_difference, reason, p_value, p_adjusted
        )
        """
    )
    connection.execute(
        """
        insert into cohorts.band_homogeneity values
            ('symptoms', 'three_monthly', 'four_fortnightly', 3, 1.2, 2, true, null, 0.55, 0.55),
            ('tear_film', 'three_monthly', 'four_fortnightly', 1, null, null, false,
                'fewer than two severity bands can be compared', null, null),
            ('glands', 'three_monthly', 'four_fortnightly', 3, 15, 2, true, null, 0.0005, 0.001)
        """
    )
    connection.execute(
        """
        insert into cohorts.site_comparison
        select rule, sites.*, null, 0.7
        from (values ('symptoms'), ('tear_film'), ('glands')) as rules (rule)
        cross join (values
            ('alder', 300, 236, 200.0, 1.18, 0.91, 1.09, 0.86, 1.14),
            ('birch', 150, 97, 100.0, 0.97, 0.85, 1.15, 0.78, 1.22),
            ('cedar', 9, 4, 6.2, 0.645, 0.4, 1.6, 0.1, 1.7)
        ) as sites (site, evaluable, observed, expected, ratio, a, b, c, d)
        """
    )
    _base(
        connection,
        ["site varchar", "protocol varchar", "courses bigint", "seen bigint"],
        [
            (site, protocol, courses // place, courses // place - 9)
            for place, (site, protocol) in enumerate(product(SITES, PROTOCOLS), start=3)
        ],
    )
    _add_up(connection, (), ("site", "protocol"), ("courses", "seen"))
    _insert(
        connection,
        "follow_up_completeness",
        """
        select site, protocol, 'all' in (site, protocol) as is_total, courses, seen,
            100 * seen as observed_days, 200 * courses as potential_days,
            observed_days / potential_days as completeness
        from totals
        """,
    )


def _fill_seeds(connection: duckdb.DuckDBPyConnection) -> None:
    for seed in ("response_rules", "severity_bands"):
        path = CONTRACTS.parents[1] / "seeds" / f"{seed}.csv"
        connection.execute(f"create table seeds.{seed} as from read_csv('{path}', header = true)")
    for table in ("base", "totals", "places"):
        connection.execute(f"drop table if exists {table}")
