"""dbt's documentation as one page of a release."""

import json
from typing import Any

from models.docs_page import SITE, docs_page, shared_by_equal_runs
from pipeline.workspace import Release

ESTIMAND = {"population": "All sessions."}
COLUMNS = [
    ("cohorts", "safety", "month", "VARCHAR", ""),
    ("cohorts", "safety", "events", "BIGINT", "Harms\ncounted."),
    ("catalog", "tables", "table_name", "VARCHAR", ""),
]


def manifest(**more: Any) -> dict[str, Any]:
    node = {"package_name": "lidcohort", "config": {"materialized": "table"}, "meta": {}}
    place = {"database": "warehouse", "schema": "cohorts", "alias": "safety"}
    return {"metadata": {}, "nodes": {"model.lidcohort.safety": node | place | more}}


def inlined(page: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """The manifest and the catalog that a page holds."""
    decoder = json.JSONDecoder()
    start = page.index("{manifest:") + len("{manifest:")
    told, end = decoder.raw_decode(page, start)
    catalog, _ = decoder.raw_decode(page, end + len(",catalog:"))
    return told, catalog


def test_what_differs_from_run_to_run_and_whatever_names_a_folder_is_left_out() -> None:
    told = manifest(
        created_at=1.5, compiled_code="from read_parquet('/home/x')", root_path="/home/x"
    )
    told["metadata"] = {"project_name": "lidcohort", "generated_at": "2026-11-01T00:00:00Z"}
    kept = shared_by_equal_runs(told)
    assert kept["metadata"] == {"project_name": "lidcohort"}
    assert kept == shared_by_equal_runs(manifest()) | {"metadata": kept["metadata"]}


def test_a_list_whose_order_says_nothing_is_put_in_order() -> None:
    place = ["lidcohort", "cohorts", "safety"]
    one, other = (
        shared_by_equal_runs(
            manifest(depends_on={"nodes": order}, sources=[[name] for name in order], fqn=place)
            | {"child_map": {"model.lidcohort.safety": order}}
        )
        for order in (["b", "a"], ["a", "b"])
    )
    assert one == other
    assert one["nodes"]["model.lidcohort.safety"]["fqn"] == place


def test_other_packages_are_left_out() -> None:
    told = manifest()
    told["nodes"]["model.other.safety"] = {"package_name": "other"}
    told["parent_map"] = {"model.lidcohort.safety": []}
    kept = shared_by_equal_runs(told)
    assert list(kept["nodes"]) == ["model.lidcohort.safety"]
    assert kept["parent_map"] == told["parent_map"]


def test_an_estimand_is_told_part_by_part() -> None:
    told, _ = inlined(docs_page(manifest(meta={"estimand": ESTIMAND}), COLUMNS))
    assert told["nodes"]["model.lidcohort.safety"]["meta"] == ESTIMAND


def test_each_model_has_its_columns_in_order() -> None:
    _, catalog = inlined(docs_page(manifest(), COLUMNS))
    assert list(catalog["nodes"]) == ["model.lidcohort.safety"]
    columns = catalog["nodes"]["model.lidcohort.safety"]["columns"]
    assert {name: (column["index"], column["type"]) for name, column in columns.items()} == {
        "month": (1, "VARCHAR"),
        "events": (2, "BIGINT"),
    }
    assert columns["events"]["comment"] == "Harms counted."


def test_no_text_ends_the_script() -> None:
    told = "</script><script>alert(1)</script>"
    page = docs_page(manifest(description=told), COLUMNS)
    assert page.count("</script>") == SITE.read_text(encoding="utf-8").count("</script>")
    assert inlined(page)[0]["nodes"]["model.lidcohort.safety"]["description"] == told


def test_the_demo_s_page_names_no_folder(demo_release: Release) -> None:
    text = demo_release.models_page.read_text(encoding="utf-8")
    assert str(demo_release.root) not in text
    assert str(demo_release.root.resolve()) not in text
