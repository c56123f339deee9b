"""The data test that a log's samples follow one another passes those that do, and no others."""

from typing import Any

import pytest

from models.build import BuildFailed, run_dbt

Samples = list[tuple[Any, ...]]
COLUMNS = ("t_s", "temp_c", "begins_log", "next_after_s", "next_temp_c")

FIRST, SECOND, LAST = WHOLE = [
    (0, 40, True, 1, 41),
    (1, 41, False, 2, 42),
    (3, 42, False, None, None),
]
SOUND: dict[str, Samples] = {"whole": WHOLE, "a single sample": [(7, 40, True, None, None)]}
FAULTY: dict[str, Samples] = {
    "a log twice": [*WHOLE, *WHOLE],
    "a sample twice": [FIRST, SECOND, SECOND, LAST],
    "two samples before one": [*WHOLE, (2, 41, False, 1, 42)],
    "a sample lost": [FIRST, LAST],
    "the last sample lost": [FIRST, SECOND],
    "the first sample lost": [SECOND, LAST],
    "no time between": [FIRST, (1, 40, False, 0, 41), SECOND, LAST],
    "a next temperature lost": [(0, 40, True, 1, None), SECOND, LAST],
    "another sample first": [(0, 40, False, 1, 41), (1, 41, True, 2, 42), LAST],
    "equal sums": [FIRST, (0, 40, False, 1, 41), (2, 42, False, None, None)],
}


def check(make_release: Any, logs: dict[str, Samples]) -> None:
    rows = [
        {"session_key": name, "eye": "right"} | dict(zip(COLUMNS, sample, strict=True))
        for name, samples in logs.items()
        for sample in samples
    ]
    release = make_release({"temperatures": rows})
    run_dbt(release, "run", "--select", "+stg_temperatures")
    run_dbt(release, "test", "--select", "stg_temperatures")


def test_it_passes_logs_whose_samples_do(make_release: Any) -> None:
    check(make_release, SOUND)


def test_it_finds_every_other(make_release: Any) -> None:
    with pytest.raises(BuildFailed) as failed:
        check(make_release, SOUND | FAULTY)
    [failure] = failed.value.failures
    assert "samples_follow" in failure
    assert f"{len(FAULTY)} results" in failure
