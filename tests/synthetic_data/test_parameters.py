from dataclasses import fields, replace

import pytest

from ingest.contract import HARMS, KINDS_BY_NAME, MEASURES, Level
from synthetic_data.parameters import SIGNS, SITES, Basis, Parameters

PARAMETERS = Parameters()


def test_every_parameter_has_a_meaning_and_a_basis() -> None:
    described = PARAMETERS.described()
    assert [row["name"] for row in described] == [field.name for field in fields(Parameters)]
    assert all(row["meaning"] for row in described)
    assert {row["basis"] for row in described} <= {basis.value for basis in Basis}


def test_rates_of_harm_are_marked_as_invented() -> None:
    bases = {row["name"]: row["basis"] for row in PARAMETERS.described()}
    harms = {name: basis for name, basis in bases.items() if name.startswith("harm_")}
    assert len(harms) >= 6
    assert set(harms.values()) == {"invented"}


@pytest.mark.parametrize(
    ("parameter", "kind", "column"),
    [
        ("sexes", "visits", "sex"),
        ("diagnoses", "visits", "diagnosis"),
        ("decision_weights", "plans", "decision"),
        ("home_care_tried", "plans", "home_care_result"),
        ("reasons_responding", "plans", "end_reason"),
        ("reasons_unresponsive", "plans", "end_reason"),
        ("lids", "sessions", "lids"),
        ("harm_at_session", "sessions", "adverse_event"),
        ("harm_later_codes", "adverse_events", "event"),
        ("harm_severity", "adverse_events", "severity"),
        ("treatment_codes", "treatments", "treatment"),
    ],
)
def test_codes_are_the_contracts(parameter: str, kind: str, column: str) -> None:
    weights = dict(getattr(PARAMETERS, parameter))
    assert set(weights) - {""} <= set(KINDS_BY_NAME[kind].column(column).codes)
    assert sum(weights.values()) == pytest.approx(1)


def test_every_harm_can_happen() -> None:
    assert set(HARMS) <= set(dict(PARAMETERS.harm_at_session))
    assert set(HARMS) == set(dict(PARAMETERS.harm_later_codes))


def test_every_measure_of_an_eye_is_modelled() -> None:
    assert {s.measure for s in SIGNS} == {m.name for m in MEASURES if m.level is Level.EYE}


def test_signs_change_for_the_better() -> None:
    better = {m.name: m.better for m in MEASURES}
    for sign in SIGNS:
        assert sign.gain >= 0 if better[sign.measure] == "higher" else sign.gain <= 0


def test_shares_and_mixes_are_whole() -> None:
    assert sum(site.share for site in SITES) == pytest.approx(1)
    for site in SITES:
        assert len(site.protocol_weights) == len(PARAMETERS.protocols)
        assert sum(site.protocol_weights) == pytest.approx(1)


def test_parameters_are_values() -> None:
    assert hash(PARAMETERS) == hash(Parameters())
    assert replace(PARAMETERS, osdi_mean=40.0) != PARAMETERS
