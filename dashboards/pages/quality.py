"""Data quality: the gates' verdict, what each clinic sent, and how to mend what was refused."""

import re
from collections.abc import Iterator

from dashboards import cautions, words
from dashboards.kinds import clinic_page, group_page
from dashboards.page import Link, Page, Table, table
from dashboards.pages import refusals
from dashboards.source import Clinic, Source
from dashboards.warehouse import Row
from expectations.report import Gate
from ingest.contract import Reason


def pages(source: Source) -> Iterator[Page]:
    """The group's page with counts hidden, then each clinic's own."""
    yield group_page(
        "quality",
        title="Data quality",
        content={
            "verdict": verdict(source),
            "warnings": _warnings(source),
            "results": _checks_on_arrival(source),
            "clinics": _clinics(source),
            "reasons": table(
                "Why a row is refused, or a value flagged",
                ("Why", "how to mend it"),
                [(words.reason(reason), words.remedy(reason)) for reason in Reason],
                words_in=(0, 1),
            ),
        },
        read_with_care=(cautions.hidden_counts(source.below),),
    )
    for clinic in source.clinics_with_data:
        yield _clinic_page(source, clinic)


def verdict(source: Source) -> str:
    """How the two gates fared, in one sentence: what stops was not there, else no page were."""
    results = source.full.find("quality.gate_results")
    if not results:
        return "No gate's result is on record for this release."
    warnings = [row for row in results if not row["success"]]
    checks = f"{source.many(len(results), 'check')} on what came in and on what was worked out"
    if not warnings:
        return f"All {checks} passed."
    found = source.many(len(warnings), "warning")
    return f"Of {checks}, none stopped this release; {found} {words.were(len(warnings))} raised."


def _warnings(source: Source) -> list[Row]:
    """What a warning says and whom it concerns; keys and counts stay on the clinics' pages."""
    return [
        {
            "what": words.sentence(row["description"]),
            "next_step": words.sentence(row["next_step"]) if row["next_step"] else "",
            "clinics": [
                Link(clinic.label, f"{clinic.folder}quality.html")
                for clinic in source.clinics_with_data
                if _concerning(row, clinic)
            ],
        }
        for row in _failed(source)
    ]


def _failed(source: Source) -> list[Row]:
    return source.full.find("quality.gate_results", success=False)


def _concerning(row: Row, clinic: Clinic) -> list[str]:
    """Those of a warning's offending places that begin with the clinic's code."""
    places = (row["offending"] or "").split("; ")
    return [place for place in places if re.match(rf"{clinic.code}\b", place)]


def _clinic_warnings(source: Source, clinic: Clinic) -> Table:
    return table(
        "Warnings of the checks (20 places at most each)",
        ("What was found", "where", "what to do"),
        [
            (words.sentence(row["description"]), "; ".join(places), row["next_step"] or words.NONE)
            for row in _failed(source)
            if (places := _concerning(row, clinic))
        ],
        words_in=(0, 1, 2),
        empty="none.",
    )


def _checks_on_arrival(source: Source) -> Table:
    return table(
        "Checks on what came in",
        ("Check", "outcome"),
        [
            (
                words.sentence(row["description"]),
                "held" if row["success"] else "did not hold: see above",
            )
            for row in source.full.find("quality.gate_results", gate=Gate.ARRIVAL.value)
        ],
        words_in=(0, 1),
    )


def _clinics(source: Source) -> Table:
    return table(
        "How far each clinic's data go",
        ("Clinic", "data up to", "latest batch", "own page"),
        [
            (
                clinic.label,
                words.day(clinic.cutoff),
                latest_batch(source, clinic),
                Link("what was refused", f"{clinic.folder}quality.html")
                if source.months(clinic)
                else "no data yet",
            )
            for clinic in source.clinics
        ],
        words_in=(0, 1, 2, 3),
    )


def latest_batch(source: Source, clinic: Clinic) -> str:
    rows = source.full.find("staging.stg_batches", site=clinic.code)
    newest = max(rows, key=lambda row: row["position"], default=None)
    return newest["batch"] if newest else words.NONE


def _clinic_page(source: Source, clinic: Clinic) -> Page:
    return clinic_page(
        clinic,
        "quality",
        "clinic_quality",
        title=f"{clinic.label}: what was refused",
        content={
            "batch": latest_batch(source, clinic),
            "cutoff": words.day(clinic.cutoff),
            "warnings": _clinic_warnings(source, clinic),
            "latest": refusals.of_batches(source, clinic, latest_batch(source, clinic)),
            "all": refusals.of_batches(source, clinic),
            "files": refusals.arrived(source, clinic),
        },
    )
