"""Beside outcomes, on whatever page: who was not measured, and who was treated otherwise too."""

from dataclasses import replace

from dashboards import cautions, words
from dashboards.page import Page
from dashboards.shared_tables import TOTAL
from dashboards.source import Source, totals
from dashboards.warehouse import Tables

GRADING = "symptoms"


def with_missing_and_mixed(source: Source, page: Page) -> Page:
    """The page as it is, or with what no outcome may be read without (definition 16).

    A page tells outcomes where it says who measured them. In a clinic's folder the numbers are the
    clinic's own, in full.
    """
    if cautions.OWN_GRADES not in page.cautions:
        return page
    for clinic in source.clinics:
        if page.path.startswith(clinic.folder):
            return _with(page, missing_and_mixed(source, source.full, clinic.code))
    return _with(page, missing_and_mixed(source, source.shared, TOTAL))


def missing_and_mixed(source: Source, tables: Tables, site: str) -> str:
    """By the first rule, over all grades; empty where nothing of it can be told."""
    place = totals(site=site, grading=GRADING, grade=TOTAL, period=TOTAL)
    rows = tables.find("response_by_grade", rule=source.rules[0]["rule"], **place)
    told = []
    for row in rows:
        if words.are_told(row["courses"], row["not_measured"]):
            told.append(
                f"By the symptom score, {source.told(row['not_measured'])} of "
                f"{source.many(row['courses'], 'course')} followed to the end "
                f"{words.were(row['not_measured'])} not measured before and after."
            )
        if row["other_treatment"] is not None and words.are_told(row["other_treatment"]):
            told.append(
                f"Of 100 that were, {words.in_100(row['other_treatment'])} had another treatment "
                "begun in between, and what that did is in these figures too."
            )
    return " ".join(told)


def _with(page: Page, caution: str) -> Page:
    return replace(page, cautions=(*page.cautions, caution)) if caution else page
