"""The group's own limits of a file: what is beyond them is refused whole."""

import dataclasses

import pytest

from pipeline.errors import WrongUse
from pipeline.settings import Limits, read_settings
from tests.pipeline.conftest import GROUP

HEADER = b"patient_id,status\n"


def limited(exports, **limits):
    settings = exports.workspace.settings.model_copy(update={"limits": Limits(**limits)})
    exports.workspace = dataclasses.replace(exports.workspace, settings=settings)
    return exports


def reason(exports):
    (file,) = exports.read().files.rows(named=True)
    return file["file_reason"]


@pytest.mark.parametrize(
    ("limits", "content", "said"),
    [
        (
            {"rows": 2},
            HEADER + b"P1,active\nP2,active\nP3,active\n",
            "It has more than 2 rows; export it in several files.",
        ),
        ({"rows": 3}, HEADER + b"P1,active\nP2,active\nP3,active\n", None),
        (
            {"columns": 2},
            b"patient_id,status,more\nP1,active,1\n",
            "It has 3 columns, more than 2; export fewer.",
        ),
        ({"columns": 3}, b"patient_id,status,more\nP1,active,1\n", None),
        (
            {"file_mb": 1},
            HEADER + b"P1,active\n" * 110_000,
            "It is longer than 1 MB; export it in several files.",
        ),
        ({"file_mb": 2}, HEADER + b"P1,active\n" * 110_000, None),
    ],
)
def test_a_file_is_held_to_the_limits(exports, limits, content, said):
    exports.write_bytes("patients.csv", content)
    assert reason(limited(exports, **limits)) == said


def test_a_unit_is_read_anew_once_a_limit_changes(exports):
    exports.write_bytes("patients.csv", HEADER + b"P1,active\nP2,active\n")
    assert reason(exports) is None
    assert reason(limited(exports, rows=1)).startswith("It has more than 1 rows")
    assert exports.accepted("patients").height == 0


@pytest.mark.parametrize("line", ["rows = 500000001", "columns = 0", "file_mb = 1.5", "cells = 9"])
def test_they_can_be_lowered_and_not_raised(tmp_path, line):
    path = tmp_path / "group.toml"
    path.write_text(f"[limits]\n{line}\n{GROUP}")
    with pytest.raises(WrongUse, match="limits"):
        read_settings(path)
