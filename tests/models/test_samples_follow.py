"""The data test that a log's samples follow one another passes those that do, and no others."""

from typing import Any

import pytest

from models.build import BuildFailed, run_dbt

Samples = list[tuple[Any, ...]]
COLUMNS = ("t_s", "temp_c", "next_t_s", "next_temp_c")

WHOLE = [(0, 40, 1, 41), (1, 41, 3, 42), (3, 42, None, None)]
SOUND: dict[str, Samples] = {"whole": WHOLE, "a single sample": [(7, 40, None, None)]}
FAULTY: dict[str, Samples] = {
    "a log twice": [*WHOLE, *WHOLE],
    "a sample twice": [*WHOLE, WHOLE[1]],
    "two samples before one": [*WHOLE, (2, 41, 3, 42)],
    "a sample lost": [WHOLE[0], WHOLE[2]],
    "the last sample lost": WHOLE[:2],
    "back in time": [(0, 40, 3, 42), (1, 41, 0, 40), (3, 42, None, None)],
    "a next temperature lost": [(0, 40, 1, None), *WHOLE[1:]],
    "equal sums": [(0, 40, 1, 41), (0, 40, 1, 41), (2, 42, None, None)],
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
