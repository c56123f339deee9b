"""Each expectation of the built gate accepts a warehouse that agrees, and finds its own fault."""

from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from expectations import Gate, GateReport, Severity, built, check
from ingest.contract import ADVERSE_EVENTS, SESSIONS
from ingest.report import REFUSED_HARMS
from pipeline.settings import Settings
from pipeline.workspace import Release

WAREHOUSE = Path(__file__).parent / "warehouse.sql"
SETTINGS = Settings.model_validate(
    {
        "site": [{"code": "alder"}, {"code": "birch"}],
        "protocol": [{"code": "four", "sessions_planned": 4}],
    }
)
STAGED = "select site, session_key, eye, session_date, adverse_event from staging.stg_sessions"

# What breaks which expectations, and no others.
SPOILED = {
    "a rate above its limit": (
        "update cohorts.response_by_grade set rate_high = 0.9, rate_low = 0.2",
        {"response_by_grade_shares_within_limits"},
    ),
    "a rate above one": (
        "update cohorts.response_by_grade set response_rate = 1.1, rate_high = 1.2, "
        "rate_if_missing_responded = 1.2",
        {"response_by_grade_shares_within_limits"},
    ),
    "a rate of nothing": (
        "update cohorts.maintenance_adherence set adherence = 0, adherence_low = 0, "
        "adherence_high = 1",
        {"maintenance_adherence_shares_within_limits"},
    ),
    "a rate that is missing": (
        "update cohorts.home_care set halved_share = null",
        {"home_care_shares_within_limits"},
    ),
    "a limit below zero": (
        "update cohorts.response_at_session set share_low = -0.1",
        {"response_at_session_shares_within_limits"},
    ),
    "a curve above one": (
        "update cohorts.sessions_to_response set incidence = 1.5 where session_number = 4",
        {"sessions_to_response_shares_within_limits", "sessions_to_response_rows_consistent"},
    ),
    "a share of delivery above one": (
        "update cohorts.delivery set in_band_share = 1.5",
        {"delivery_shares_within_limits"},
    ),
    "a harm rate below its limit": (
        "update cohorts.safety set rate_low = 60 where events = 1",
        {"safety_shares_within_limits"},
    ),
    "a dose rate above its limit": (
        "update cohorts.dose_response set rate_high = 0.5",
        {"dose_response_shares_within_limits"},
    ),
    "outcomes that don't make up the courses": (
        "update cohorts.response_by_grade set unchanged = 1",
        {"response_by_grade_rows_consistent"},
    ),
    "more responding than measured": (
        "update cohorts.response_at_session set responding = 2",
        {"response_at_session_rows_consistent"},
    ),
    "more leaving than at risk": (
        "update cohorts.sessions_to_response set censored = 1",
        {"sessions_to_response_rows_consistent"},
    ),
    "statuses that don't make up the intervals": (
        "update cohorts.maintenance_adherence set intervals = 2",
        {"maintenance_adherence_rows_consistent"},
    ),
    "reasons that don't make up the stopped": (
        "update cohorts.course_funnel set end_cost = 1 where month = '2024-01'",
        {"course_funnel_rows_consistent"},
    ),
    "patients who are nowhere": (
        "update cohorts.leaving set assessed = 3",
        {"leaving_rows_consistent"},
    ),
    "patients of a clinic more than the total": (
        "update cohorts.leaving set assessed = 3, not_started_declined = 1 where site <> 'all'",
        {"leaving_totals_add_up"},
    ),
    "waits that run backwards": (
        "update cohorts.waiting_times set quarter_days = 12",
        {"waiting_times_rows_consistent"},
    ),
    "waits of a clinic more than the total": (
        "update cohorts.waiting_times set waits = 2 where site <> 'all'",
        {"waiting_times_totals_add_up"},
    ),
    "more asked than used": (
        "update cohorts.safety_by_device set asked = 3",
        {"safety_by_device_rows_consistent"},
    ),
    "a device's rate above its limit": (
        "update cohorts.safety_by_device set rate_high = 50",
        {"safety_by_device_shares_within_limits"},
    ),
    "more recorded than treated": (
        "update cohorts.delivery set expressed = expressed + 4",
        {"delivery_rows_consistent", "delivery_totals_add_up"},
    ),
    "more asked than treated": (
        "update cohorts.safety set serious = 5",
        {"safety_rows_consistent", "safety_totals_add_up"},
    ),
    "more patients than sessions": (
        "update cohorts.month_summary set treated_patients = 3",
        {"month_summary_rows_consistent"},
    ),
    "a month's outcomes that don't make up its courses": (
        "update cohorts.month_outcomes set worsened = 2 where rule = 'glands'",
        {"month_outcomes_rows_consistent"},
    ),
    "a month that is judged and told why it is not": (
        "update cohorts.month_outcomes set beyond_limits = true where rule = 'symptoms'",
        {"month_outcomes_rows_consistent"},
    ),
    "a month's rate where none was counted": (
        "update cohorts.month_outcomes set before_rate = 0.5 where rule = 'symptoms'",
        {"month_outcomes_shares_within_limits"},
    ),
    "a month's courses that month_outcomes lost": (
        "delete from cohorts.month_outcomes where rule = 'symptoms'",
        {"mature_courses_conserved"},
    ),
    "a course broken off that month_summary lost": (
        "insert into cohorts.broken_off values ('alder', '2024-06', 2, 1)",
        {"broken_off_conserved"},
    ),
    "more halved in a month than measured": (
        "update cohorts.month_home_care set halved = 2",
        {"month_home_care_rows_consistent"},
    ),
    "more asked side by side than sessions": (
        "update cohorts.months_side_by_side set asked = sessions + 1",
        {"months_side_by_side_rows_consistent", "months_side_by_side_totals_add_up"},
    ),
    "a share side by side above all": (
        "update cohorts.months_side_by_side set in_band_share = 1.5",
        {"months_side_by_side_shares_within_limits"},
    ),
    "more halved than measured": (
        "update cohorts.home_care set halved = 2",
        {"home_care_rows_consistent"},
    ),
    "parts of a sheet that make no whole": (
        "update cohorts.expected_course set worsened_share = 0.2",
        {"expected_course_rows_consistent"},
    ),
    "quartiles out of order": (
        "update cohorts.expected_course set sessions_low = 4",
        {"expected_course_rows_consistent"},
    ),
    "a share of a sheet above one": (
        "update cohorts.expected_course set stopped_share = 1.2",
        {"expected_course_shares_within_limits"},
    ),
    "more measured than begun": (
        "update cohorts.expected_at_session set measured = 2, unchanged = 2",
        {"expected_at_session_rows_consistent"},
    ),
    "a sheet's share outside its limits": (
        "update cohorts.expected_at_session set better_low = 0.1",
        {"expected_at_session_shares_within_limits"},
    ),
    "a session number of a sheet that is missing": (
        "update cohorts.expected_at_session set session_number = 2",
        {"expected_at_session_sessions_numbered"},
    ),
    "more who felt it than were asked": (
        "update cohorts.felt_in_courses set felt = 2",
        {"felt_in_courses_rows_consistent"},
    ),
    "a harm's share above its limit": (
        "update cohorts.felt_in_courses set share_high = -0.1",
        {"felt_in_courses_shares_within_limits"},
    ),
    "courses of a grade beyond the total": (
        "update cohorts.felt_in_courses set courses = 2 where grade <> 'all'",
        {"felt_in_courses_totals_add_up"},
    ),
    "a course that the table of sheets lost": (
        "delete from cohorts.expected_course",
        {"published_tables_filled"},
    ),
    "sessions that the table of sheets lost": (
        "delete from cohorts.expected_at_session",
        {"published_tables_filled"},
    ),
    "courses that the table of what was felt lost": (
        "delete from cohorts.felt_in_courses",
        {"published_tables_filled"},
    ),
    "more responders than evaluable": (
        "update cohorts.dose_response set responders = 2",
        {"dose_response_rows_consistent"},
    ),
    "a site more than the total": (
        "update cohorts.response_by_grade set courses = 2, evaluable = 2, responders = 2 "
        "where site <> 'all' and grade = 'moderate' and protocol = 'four'",
        {"response_by_grade_totals_add_up"},
    ),
    "a total that is missing": (
        "delete from cohorts.response_at_session where site = 'all'",
        {"response_at_session_totals_add_up"},
    ),
    "a curve's total with fewer at risk": (
        "update cohorts.sessions_to_response set at_risk = 2 where site = 'all'",
        {"sessions_to_response_totals_add_up"},
    ),
    "intervals of a site more than the total": (
        "update cohorts.maintenance_adherence set judged = 1, adherence = 0, adherence_low = 0, "
        "adherence_high = 1 where site <> 'all'",
        {"maintenance_adherence_totals_add_up"},
    ),
    "a month of delivery more than the total": (
        "update cohorts.delivery set screened = 0 where month = 'all'",
        {"delivery_totals_add_up"},
    ),
    "harms of a kind more than the total": (
        "update cohorts.safety set events = 2 where event = 'burn' and severity = 'unknown' "
        "and site = 'alder' and protocol = 'four' and month = '2024-01'",
        {"safety_totals_add_up"},
    ),
    "home care of a site more than the total": (
        "update cohorts.home_care set courses = 2 where site <> 'all'",
        {"home_care_totals_add_up"},
    ),
    "doses of a site more than the total": (
        "update cohorts.dose_response set evaluable = 2 where site <> 'all'",
        {"dose_response_totals_add_up"},
    ),
    "a session number left out": (
        "delete from cohorts.response_at_session where session_number = 2",
        {"response_at_session_sessions_numbered"},
    ),
    "a curve that begins at two": (
        "delete from cohorts.sessions_to_response where session_number = 1",
        {"sessions_to_response_sessions_numbered"},
    ),
    "a curve that rises": (
        "update cohorts.sessions_to_response set not_yet = 0.5 where session_number = 4",
        {"sessions_to_response_never_rises", "sessions_to_response_rows_consistent"},
    ),
    "more by incidence than by the curve": (
        "update cohorts.sessions_to_response set incidence = 0.1 where session_number = 1",
        {"sessions_to_response_rows_consistent"},
    ),
    "a response that is neither seen nor not": (
        "update cohorts.sessions_to_response set responded_by = 0.9 where session_number = 4",
        {"sessions_to_response_rows_consistent"},
    ),
    "more by chance than there are": (
        "update cohorts.sessions_to_response set by_chance = 1.1",
        {"sessions_to_response_shares_within_limits"},
    ),
    "more lost than at risk": (
        "update cohorts.durability set at_risk = 0 where days = 250",
        {"durability_rows_consistent"},
    ),
    "a share holding above its limit": (
        "update cohorts.durability set holding_high = 0.4 where days = 150",
        {"durability_shares_within_limits"},
    ),
    "losses of a grade more than the total": (
        "update cohorts.durability set lost = 2 where grade <> 'all' and days = 150",
        {"durability_totals_add_up"},
    ),
    "a gain that comes back": (
        "update cohorts.durability set holding = 0.6 where days = 250",
        {"durability_never_rises"},
    ),
    "a return of nobody": (
        "update cohorts.maintenance_return set returned = 0 where days = 200",
        {"maintenance_return_rows_consistent", "returns_conserved"},
    ),
    "a return below its limit": (
        "update cohorts.maintenance_return set returned_low = 0.5 where days = 200",
        {"maintenance_return_shares_within_limits"},
    ),
    "returns of a protocol more than the total": (
        "update cohorts.maintenance_return set returned = 2 where protocol <> 'all' and days = 300",
        {"maintenance_return_totals_add_up"},
    ),
    "a return that is undone": (
        "update cohorts.maintenance_return set returned_by = 0.2, returned_low = 0 "
        "where days = 300",
        {"maintenance_return_never_falls"},
    ),
    "a return that is nowhere": (
        "update courses.maintenance_intervals set left_on = date '2024-12-01' "
        "where patient_key = 'pe'",
        {"returns_conserved"},
    ),
    "a difference outside its limits": (
        "update cohorts.protocol_comparison set difference_low = 0.26 where comparable",
        {"protocol_comparison_rows_consistent"},
    ),
    "a difference that the rates do not give": (
        "update cohorts.protocol_comparison set standardised_rate = 0.7 where comparable",
        {"protocol_comparison_rows_consistent"},
    ),
    "a difference of what is not comparable": (
        "update cohorts.protocol_comparison set reason = 'few' where comparable",
        {"protocol_comparison_rows_consistent"},
    ),
    "a p-value of what is not comparable": (
        "update cohorts.protocol_comparison set p_value = 0.1 where not comparable",
        {"protocol_comparison_rows_consistent"},
    ),
    "a comparable pair without a difference": (
        "update cohorts.protocol_comparison set difference = null where comparable",
        {"protocol_comparison_rows_consistent"},
    ),
    "a p-value that falls when adjusted": (
        "update cohorts.protocol_comparison set p_adjusted = 0.05 where comparable",
        {"protocol_comparison_rows_consistent"},
    ),
    "more overlap than there are": (
        "update cohorts.protocol_comparison set share_in_overlap = 1.1 where comparable",
        {"protocol_comparison_shares_within_limits"},
    ),
    "a crude rate of nobody": (
        "update cohorts.protocol_comparison set crude_rate = 0 where not comparable",
        {"protocol_comparison_shares_within_limits"},
    ),
    "degrees that don't fit the bands": (
        "update cohorts.band_homogeneity set bands = 4 where comparable",
        {"band_homogeneity_rows_consistent"},
    ),
    "a test of bands that is withheld yet told": (
        "update cohorts.band_homogeneity set p_value = 0.3 where not comparable",
        {"band_homogeneity_rows_consistent"},
    ),
    "more observed than evaluable": (
        "update cohorts.site_comparison set observed = 31, ratio = 31 / 16 where observed = 20",
        {"site_comparison_rows_consistent"},
    ),
    "a ratio of other counts": (
        "update cohorts.site_comparison set ratio = 1.2 where observed = 20",
        {"site_comparison_rows_consistent"},
    ),
    "wider limits at 95 than at 99.8 %": (
        "update cohorts.site_comparison set low_95 = 0.4 where observed = 20",
        {"site_comparison_rows_consistent"},
    ),
    "sites that vary less than chance": (
        "update cohorts.site_comparison set overdispersion = 0.9 where observed = 20",
        {"site_comparison_rows_consistent"},
    ),
    "more captured than there are": (
        "update cohorts.site_comparison set capture_rate = 1.1 where observed = 20",
        {"site_comparison_shares_within_limits"},
    ),
    "more days observed than possible": (
        "update cohorts.follow_up_completeness set observed_days = 329",
        {"follow_up_completeness_rows_consistent"},
    ),
    "completeness above one": (
        "update cohorts.follow_up_completeness set completeness = 1.1",
        {"follow_up_completeness_shares_within_limits"},
    ),
    "days of a site more than the total": (
        "update cohorts.follow_up_completeness set potential_days = 330 where site <> 'all'",
        {"follow_up_completeness_totals_add_up"},
    ),
    "a table of comparisons that is empty": (
        "delete from cohorts.site_comparison; delete from cohorts.protocol_comparison",
        {"published_tables_filled"},
    ),
    "an accepted session that staging lost": (
        "delete from staging.stg_sessions where site = 'birch'",
        {"accepted_sessions_kept", "sessions_conserved", "session_eyes_conserved"},
    ),
    "a harm that is nowhere": (
        "update courses.adverse_events set harm_key = 'bbbbbbbbbbbbbbbb-r'",
        {"harms_kept"},
    ),
    "a session twice": (
        "insert into courses.sessions from courses.sessions where site = 'birch'",
        {
            "sessions_conserved",
            "months_hold_their_sessions",
            "months_hold_their_chair_minutes",
        },
    ),
    "a session-eye lost": (
        "delete from courses.session_eyes where site = 'birch'",
        {"session_eyes_conserved"},
    ),
    "a session in the wrong month": (
        "update courses.sessions set session_date = date '2024-03-01' where site = 'birch'",
        {"months_hold_their_sessions", "months_hold_their_chair_minutes"},
    ),
    "chair minutes that went astray": (
        "update cohorts.month_summary set chair_minutes = 45 where site = 'birch'",
        {"months_hold_their_chair_minutes"},
    ),
    "a course that started twice": (
        "update cohorts.course_funnel set started = 2, completed = 2 where month = '2024-01'",
        {"courses_conserved"},
    ),
    "a course without one of its sessions": (
        "update courses.courses set sessions = 4",
        {"courses_hold_their_sessions"},
    ),
    "a mature course without responses": (
        "update courses.responses set is_mature = false",
        {"mature_courses_conserved"},
    ),
    "a harm that month_summary lost": (
        "update cohorts.month_summary set harms = 0 where month = '2024-01'",
        {"harms_conserved"},
    ),
    "a patient missing from the recall list": (
        "insert into courses.maintenance_intervals values ('alder', 'pc', 'overdue', null)",
        {"recalls_conserved"},
    ),
    "refused rows that month_summary lost": (
        "update cohorts.month_summary set refused_rows = 0",
        {"refused_rows_conserved"},
    ),
    "a retreatment that the table of durability lost": (
        "delete from cohorts.durability",
        {"published_tables_filled"},
    ),
    "doses that the table of doses lost": (
        "delete from cohorts.dose_response",
        {"published_tables_filled"},
    ),
    "an empty table": (
        "delete from cohorts.home_care",
        {"published_tables_filled"},
    ),
    "a value from after the cutoff": (
        "update courses.evaluations set assessed_date = date '2025-01-01'",
        {"dates_within_cutoff"},
    ),
    "a log hotter than its plateau": (
        "update courses.session_doses set plateau_c = 42.500001 where site = 'birch'",
        {"logs_agree_with_plateaus"},
    ),
    "eyes treated on different days": (
        "create table courses.more as from courses.courses cross join range(5) as times (i); "
        "delete from courses.courses; "
        "insert into courses.courses select course_id || i, site, patient_key, first_date, "
        "last_date, next_maintenance_date, 0, '', false, true from courses.more",
        {
            "eyes_treated_together",
            "courses_conserved",
            "courses_hold_their_sessions",
            "mature_courses_conserved",
        },
    ),
}


@pytest.fixture
def release(tmp_path) -> Release:
    """The warehouse of warehouse.sql, with inputs that hold the same sessions."""
    release = Release(tmp_path, SETTINGS, date(2024, 12, 31))
    with duckdb.connect(str(release.warehouse)) as connection:
        connection.execute(WAREHOUSE.read_text())
        staged = connection.sql("from staging.stg_sessions").pl()
    for (site,), rows in staged.group_by("site"):
        write_accepted(release, "sessions", site, rows.drop("site"), SESSIONS.stored_schema)
    empty = pl.DataFrame(schema=ADVERSE_EVENTS.stored_schema)
    write_accepted(release, "adverse_events", "none", empty, ADVERSE_EVENTS.stored_schema)
    write_refused_harms(release, [])
    return release


def write_accepted(
    release: Release, kind: str, site: str, rows: pl.DataFrame, schema: pl.Schema
) -> None:
    folder = release.inputs / kind / f"site={site}" / "batch=2024-02"
    folder.mkdir(parents=True)
    pl.DataFrame(rows.to_dicts(), schema=schema).write_parquet(folder / "rows.parquet")


def write_refused_harms(release: Release, rows: list[dict]) -> None:
    path = release.inputs / "quality" / "refused_harms.parquet"
    path.parent.mkdir(parents=True, exist_ok=True)
    pl.DataFrame(rows, schema=REFUSED_HARMS).write_parquet(path)


def change(release: Release, statements: str) -> None:
    with duckdb.connect(str(release.warehouse)) as connection:
        connection.execute(statements)


def failed(report: GateReport) -> set[str]:
    return {result.expectation for result in report.results if not result.success}


def test_a_warehouse_that_agrees_passes(release):
    report = check(release, Gate.BUILT)

    assert [result for result in report.results if not result.success] == []
    assert len(report.results) == len(built.declarations(release)) + 1


@pytest.mark.parametrize("fault", SPOILED)
def test_a_spoiled_warehouse_breaks_what_it_should(release, fault):
    statements, slugs = SPOILED[fault]
    change(release, statements)

    report = check(release, Gate.BUILT)

    assert failed(report) == slugs
    severities = {d.slug: d.severity for d in built.declarations(release)}
    assert report.stopped == any(severities[slug] is Severity.STOP for slug in slugs)


def test_each_expectation_has_a_case_that_breaks_it(release):
    broken = {slug for _, slugs in SPOILED.values() for slug in slugs}

    assert broken == {declaration.slug for declaration in built.declarations(release)}


def test_a_young_group_has_nothing_mature_and_passes(release):
    """No mature course, no interval, no harm: the tables they fill may then be empty."""
    change(
        release,
        """
        update courses.courses set is_mature = false;
        update courses.responses set is_mature = false;
        update cohorts.month_summary set matured = 0, evaluable = 0, responders = 0;
        delete from cohorts.month_outcomes where rule = 'symptoms';
        delete from courses.maintenance_intervals;
        delete from cohorts.recall_due;
        delete from cohorts.maintenance_adherence;
        delete from cohorts.maintenance_return;
        delete from cohorts.durability;
        delete from cohorts.response_by_grade;
        delete from cohorts.response_at_session;
        delete from cohorts.sessions_to_response;
        delete from cohorts.home_care;
        delete from cohorts.expected_course;
        delete from cohorts.expected_at_session;
        delete from cohorts.felt_in_courses;
        delete from cohorts.dose_response;
        delete from cohorts.site_comparison;
        delete from cohorts.follow_up_completeness;
        """,
    )

    assert failed(check(release, Gate.BUILT)) == set()


@pytest.mark.parametrize(
    "settled_by",
    [
        "insert into quality.harms_to_settle values ('alder', 'aaaaaaaaaaaaaaaa-r')",
        "insert into staging.stg_adverse_events "
        "values ('alder', repeat('e', 32), repeat('a', 32), date '2024-01-10', 'burn')",
    ],
)
def test_a_harm_may_be_listed_or_stand_as_a_report(release, settled_by):
    change(
        release,
        "update courses.adverse_events set harm_key = 'eeeeeeeeeeeeeeee'; " + settled_by,
    )

    assert failed(check(release, Gate.BUILT)) == set()


def test_a_refused_harm_that_nobody_lists_stops(release):
    write_refused_harms(release, [{"site": "alder", "harm_key": "ffffffffffffffff"}])

    report = check(release, Gate.BUILT)

    assert failed(report) == {"harms_kept"}
    assert report.stops[0].offending == ("alder/ffffffffffffffff (event None)",)


def test_a_full_export_may_withdraw_a_session(release):
    change(
        release,
        "update staging.stg_sites set exports = 'full'; "
        "delete from staging.stg_sessions where site = 'birch'",
    )

    assert "accepted_sessions_kept" not in failed(check(release, Gate.BUILT))
