"""The labelled views: the cohort tables' own rows, in the words that pages have."""

import duckdb

from dashboards import words
from dashboards.labelled import WORDS, _Column

Connection = duckdb.DuckDBPyConnection


def test_each_cohort_table_has_its_view(demo_warehouse: Connection) -> None:
    tables, views = (
        demo_warehouse.execute(
            "select table_name, count(*) from catalog.columns where schema_name = $1 "
            "group by all order by all",
            [schema],
        ).fetchall()
        for schema in ("cohorts", "labelled")
    )
    assert tables
    assert views == tables


def test_codes_are_words_and_shares_percent(demo_warehouse: Connection) -> None:
    [(rate, responders)] = demo_warehouse.sql(
        "select response_rate, responders from cohorts.response_by_grade "
        "where rule = 'tear_film' and grading = 'glands' and grade = 'all' and site = 'alder' "
        "and protocol = 'all' and course_kind = 'all' and period = 'all'"
    ).fetchall()
    assert demo_warehouse.sql(
        'select "Grading", "Response rate, %", "Responders, courses or eyes" '
        "from labelled.response_by_grade where \"Rule\" = 'Tear film' and \"Grade\" = 'all stages' "
        "and \"Site\" = 'Alder Row' and \"Protocol\" = 'all protocols' "
        "and \"Course kind\" = 'all courses' and \"Period\" = 'whole time'"
    ).fetchall() == [(words.GRADINGS["glands"], 100 * rate, responders)]


def test_every_code_of_a_release_has_words(demo_warehouse: Connection) -> None:
    for column, in_words in WORDS.items():
        tables = demo_warehouse.execute(
            "select table_name from catalog.columns "
            "where schema_name = 'cohorts' and column_name = $1",
            [column],
        ).fetchall()
        assert tables, column
        for (table,) in tables:
            codes = demo_warehouse.sql(
                f"select distinct {column} from cohorts.{table} where {column} is not null"
            ).fetchall()
            assert {code for (code,) in codes} <= in_words.keys(), (table, column)


def test_a_grade_without_a_grading_is_one_of_symptoms(demo_warehouse: Connection) -> None:
    shown = demo_warehouse.sql('select distinct "Grade" from labelled.home_care').fetchall()
    assert {grade for (grade,) in shown} <= {*words.GRADES["symptoms"].values()}


def test_a_heading_names_the_unit_that_the_name_does_not() -> None:
    assert [
        _Column(name, said).heading
        for name, said in (
            ("rate_low", "Limit. Share from 0 to 1; null where none."),
            ("median_cem43", "Dose; equivalent minutes at 43 C. Null where none."),
            ("days_late", "Days, at least 1; never null."),
            ("evaluable", "Those judged. Courses; never null."),
            ("rule", "Rule. Code; never null."),
        )
    ] == ["Rate low, %", "Median CEM43, equivalent minutes at 43 C", "Days late",
          "Evaluable, courses", "Rule"]  # fmt: skip


def test_what_is_said_of_a_share_is_said_of_its_percent() -> None:
    said = _Column("rate", "Share of those. Share from 0 to 1; null where none.").said_here
    assert said == "Share of those. Percent; null where none."
