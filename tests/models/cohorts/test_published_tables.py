"""The published tables have the names, columns and order that were promised to their readers."""

import duckdb
import pytest

from ingest.contract import HARMS, PLANS, SEVERITIES

END_REASONS = [f"end_{code}" for code in (*PLANS.column("end_reason").codes, "unknown")]
NOT_STARTED = [f"not_started_{code}" for code in (*PLANS.column("decision").codes, "undecided")]

PUBLISHED = {
    "response_by_grade": """rule grading grade site protocol course_kind period
        is_total unit courses patients not_applicable not_measured evaluable responders unchanged
        worsened response_rate rate_low rate_high rate_if_missing_failed rate_if_missing_responded
        rate_by_noise mean_improvement median_improvement regression_alone other_treatment""",
    "response_at_session": """rule grading grade site protocol course_kind session_number
        is_total begun treated measured responding worsened stopped response_share share_low
        share_high""",
    "sessions_to_response": """rule grading grade site protocol course_kind session_number
        is_total at_risk responded stopped censored not_yet not_yet_se not_yet_low not_yet_high
        responded_by incidence incidence_low incidence_high by_chance""",
    "maintenance_adherence": """site protocol grade is_total intervals early on_time late overdue
        due not_due new_course judged adherence adherence_low adherence_high""",
    "maintenance_return": """site protocol days is_total at_risk returned returned_by returned_low
        returned_high""",
    "durability": """rule estimand grading grade site protocol days is_total at_risk lost censored
        holding holding_low holding_high""",
    "protocol_comparison": """rule protocol reference_protocol courses evaluable crude_rate
        reference_crude_rate standardised_rate reference_standardised_rate difference
        difference_low difference_high mh_difference share_in_overlap comparable reason p_value
        p_adjusted""",
    "site_comparison": """rule site evaluable observed expected ratio low_95 high_95 low_998
        high_998 overdispersion capture_rate""",
    "band_homogeneity": """rule protocol reference_protocol bands statistic degrees_of_freedom
        comparable reason p_value p_adjusted""",
    "follow_up_completeness": """site protocol is_total courses seen observed_days potential_days
        completeness""",
    "course_funnel": f"""site month assessed recommended accepted started completed stopped
        {" ".join(END_REASONS)}""",
    "delivery": """site protocol month session_eyes in_band_recorded in_band_share
        in_minutes_recorded in_minutes_share spacing_kept_recorded spacing_kept_share
        over_temperature_recorded over_temperature_share expressed stopped_early screened
        consent_recorded median_cem43""",
    "safety": """site protocol month event severity sessions asked events serious rate_per_100
        rate_low rate_high""",
    "home_care": """grade site protocol course_kind is_total courses measured halved halved_share
        share_low share_high median_minutes_before median_minutes_after""",
    "expected_course": """grade courses not_measured evaluable responders unchanged worsened
        better_share unchanged_share worsened_share not_measured_share stopped stopped_share
        sessions_low sessions_median sessions_high""",
    "expected_at_session": """grade session_number begun not_measured measured responding unchanged
        worsened better_share better_low better_high unchanged_share worsened_share
        not_measured_share""",
    "felt_in_courses": """grade event is_total courses asked felt felt_share share_low
        share_high""",
    "leaving": f"""site assessed recommended accepted started completed in_progress stopped
        {" ".join(NOT_STARTED)} {" ".join(END_REASONS)}""",
    "waiting_times": "site step waits quarter_days median_days three_quarters_days",
    "safety_by_device": """site device sessions asked events serious rate_per_100 rate_low
        rate_high""",
    "dose_response": """rule site protocol dose_quarter is_total evaluable responders
        response_rate rate_low rate_high seconds_from seconds_to""",
    "recall_due": """site patient_key last_session due_from due_by status days_overdue
        patient_status on_list""",
    "month_summary": """site month new_courses sessions treated_patients chair_minutes completed
        stopped matured evaluable responders due overdue harms sessions_asked refused_rows""",
    "month_outcomes": """site month rule unit courses not_applicable applicable not_measured
        evaluable responders unchanged worsened response_rate capture_rate before_evaluable
        before_responders before_rate before_capture_rate limit_low limit_high beyond_limits
        reason""",
    "broken_off": "site month sessions_given courses",
    "late_sessions": """site patient_key protocol last_session sessions sessions_planned expected_by
        days_late patient_status planned_end_reason on_list""",
    "month_home_care": """site month courses measured halved median_minutes_before
        median_minutes_after""",
    "month_records": """site month sessions_not_asked sessions_timed files_refused rows_refused
        values_flagged""",
    "months_side_by_side": """site month is_total sessions asked events new_courses completed
        stopped matured evaluable responders response_rate session_eyes in_band_recorded
        in_band_share""",
}


def test_every_promised_table_is_published(demo_warehouse: duckdb.DuckDBPyConnection) -> None:
    found = demo_warehouse.sql(
        "select table_name from duckdb_tables() where schema_name = 'cohorts'"
    ).fetchall()
    assert {name for (name,) in found} >= set(PUBLISHED)


@pytest.mark.parametrize("table", PUBLISHED)
def test_columns_and_their_order(demo_warehouse: duckdb.DuckDBPyConnection, table: str) -> None:
    assert demo_warehouse.table(f"cohorts.{table}").columns == PUBLISHED[table].split()


@pytest.mark.parametrize("table", PUBLISHED)
def test_every_column_says_what_it_holds(
    demo_warehouse: duckdb.DuckDBPyConnection, table: str
) -> None:
    [(about,)] = demo_warehouse.sql(
        f"select comment from duckdb_tables() where schema_name = 'cohorts' "
        f"and table_name = '{table}'"
    ).fetchall()
    assert about.startswith("One row per ")
    silent = demo_warehouse.sql(
        f"select column_name from duckdb_columns() where schema_name = 'cohorts' "
        f"and table_name = '{table}' and coalesce(comment, '') = ''"
    ).fetchall()
    assert silent == []


@pytest.mark.parametrize("table", PUBLISHED)
def test_no_table_is_empty(demo_warehouse: duckdb.DuckDBPyConnection, table: str) -> None:
    assert demo_warehouse.table(f"cohorts.{table}").count("*").fetchall() != [(0,)]


@pytest.mark.parametrize(
    ("column", "codes"), [("event", HARMS), ("severity", (*SEVERITIES, "unknown"))]
)
def test_spelled_out_codes_are_the_contracts(
    demo_warehouse: duckdb.DuckDBPyConnection, column: str, codes: tuple[str, ...]
) -> None:
    found = demo_warehouse.sql(f"select distinct {column} from cohorts.safety").fetchall()
    assert {code for (code,) in found} == {*codes, "all"}
