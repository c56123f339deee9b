"""Every cohort table with a rate or a curve says in plain words what it estimates."""

import re
from typing import Any

import pytest
import yaml

from models.build import PROJECT
from pipeline.settings import Numbers

PARTS = ["population", "variable", "intercurrent_events", "summary"]
LISTS = {"recall_due", "late_sessions", "month_summary", "month_records", "broken_off"}
COHORTS = {path.stem: path for path in sorted((PROJECT / "layers/cohorts").glob("*.yml"))}
DEFAULT_IN_WORDS = re.compile(r"(\d+)[^.,;()]*\((\w+_days?)\b")


def estimand(model: str) -> dict[str, str]:
    described: dict[str, Any] = yaml.safe_load(COHORTS[model].read_text())["models"][0]
    found: dict[str, str] = described.get("config", {}).get("meta", {}).get("estimand", {})
    return found


@pytest.mark.parametrize("model", sorted(set(COHORTS) - LISTS))
def test_every_rate_and_curve_names_its_estimand_in_four_parts(model: str) -> None:
    parts = estimand(model)
    assert list(parts) == PARTS
    assert all(re.fullmatch(r"[A-Z].{19,}[.]", part) for part in parts.values())


@pytest.mark.parametrize("model", sorted(LISTS))
def test_a_list_estimates_nothing(model: str) -> None:
    assert estimand(model) == {}


def test_the_numbers_in_the_words_are_the_settings_defaults() -> None:
    told = {
        (name, int(number))
        for model in COHORTS
        for part in estimand(model).values()
        for number, name in DEFAULT_IN_WORDS.findall(part)
    }
    settings = Numbers()
    assert told == {
        (name, getattr(settings, name))
        for name in (
            "course_gap_days",
            "baseline_days",
            "target_day",
            "settle_days",
            "followup_days",
        )
    }
