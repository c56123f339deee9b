"""The hand-computed cases that stand beside the models, run by dbt."""

from typing import Any

import yaml

from models.build import PROJECT, build, run_dbt


def test_every_hand_computed_case_holds(make_release: Any) -> None:
    release = make_release(with_definitions=True)
    build(release)
    report = run_dbt(release, "test", "--select", "test_type:unit")
    assert {node.name for node in report.nodes} == declared_cases()
    assert {node.status for node in report.nodes} == {"pass"}


def declared_cases() -> set[str]:
    return {
        case["name"]
        for file in (PROJECT / "layers").rglob("*.yml")
        for case in yaml.safe_load(file.read_text()).get("unit_tests", ())
    }
