"""Columns that group.toml leaves out: nothing of them is taken in, refused rows included."""

import dataclasses

import polars as pl
import pytest

from pipeline.errors import WrongUse
from pipeline.settings import MAY_BE_LEFT_OUT, Privacy, Settings, read_settings
from tests.pipeline.conftest import GROUP


def leaving_out(exports, *names):
    privacy = Privacy(leave_out=names)
    settings = exports.workspace.settings.model_copy(update={"privacy": privacy})
    exports.workspace = dataclasses.replace(exports.workspace, settings=settings)
    return exports


def test_nothing_of_a_column_left_out_is_kept_and_all_else_is(exports):
    exports.write("visits", {}, {"visit_id": "V2", "visit_date": "never", "sex": "a word"})
    exports.write("sessions", {})
    leaving_out(exports, *MAY_BE_LEFT_OUT).read()
    visits, sessions = exports.accepted("visits"), exports.accepted("sessions")
    for rows, names in ((visits, ("age_years", "sex", "diagnosis")), (sessions, ("operator",))):
        assert rows.height == 1
        for name in names:
            assert rows[name].null_count() == 1
    assert sessions["device"].null_count() == 1
    assert visits["severity_grade"].to_list() == ["moderate"]
    refused = exports.refused("visits")
    assert refused["sex"].to_list() == [None]
    assert refused["visit_date"].to_list() == ["never"]
    assert exports.reasons("visits") == [[("visit_date", "unreadable")]]


def test_without_it_they_are_kept(exports):
    exports.write("visits", {})
    exports.read()
    assert exports.accepted("visits").select("age_years", "sex").rows() == [(61, "female")]


def test_a_unit_is_read_anew_once_it_says_so(exports):
    exports.write("visits", {})
    exports.read()
    leaving_out(exports, "sex").read()
    [unit] = exports.report.units
    assert not unit.cached
    assert pl.read_parquet(unit.accepted)["sex"].to_list() == [None]
    assert "V1" not in repr(unit)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('leave_out = "sex"', "must be a list of columns like [\"sex\"], not 'sex'"),
        ('leave_out = ["visit_date"]', "'visit_date' cannot be left out; those that can are age"),
        ("leave_out = [1]", "1 cannot be left out"),
    ],
)
def test_what_a_figure_needs_cannot_be_left_out(tmp_path, line, said):
    path = tmp_path / "group.toml"
    path.write_text(f"[privacy]\n{line}\n{GROUP}")
    with pytest.raises(WrongUse) as refused:
        read_settings(path)
    assert said in str(refused.value)


def test_settings_with_it_come_back_from_a_manifest(tmp_path):
    path = tmp_path / "group.toml"
    path.write_text(f'[privacy]\nleave_out = ["sex"]\n{GROUP}')
    written = read_settings(path).model_dump(mode="json")
    assert Settings.model_validate(written).privacy.leave_out == ("sex",)
