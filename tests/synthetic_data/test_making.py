from pathlib import Path

import pytest

from pipeline.errors import WrongUse
from pipeline.settings import Numbers, Privacy, Releases, read_settings
from synthetic_data import make_exports, simulation
from synthetic_data.parameters import Parameters
from tests.synthetic_data.conftest import SEED, SHARE, Group


def contents(root: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*") if path.is_file()
    }


def test_same_arguments_give_the_same_bytes(faulty: Group, tmp_path: Path) -> None:
    make_exports(tmp_path, patients=700, seed=SEED, dirty_share=SHARE)
    again, before = contents(tmp_path), contents(faulty.root)
    assert again.keys() == before.keys()
    assert [name for name in again if again[name] != before[name]] == []


def test_another_seed_gives_other_patients(clean: Group, tmp_path: Path) -> None:
    make_exports(tmp_path, patients=700, seed=SEED + 1, dirty_share=0)
    name = "exports/alder/2026-10/visits.csv"
    assert (tmp_path / name).read_bytes() != (clean.root / name).read_bytes()


def test_settings_are_the_models(clean: Group) -> None:
    settings = read_settings(clean.root / "group.toml")
    parameters = Parameters()
    assert settings.group.name.endswith("(invented)")
    assert settings.site_codes == ("alder", "birch", "cedar", "dogwood", "elm")
    assert settings.protocol == tuple(p.definition for p in parameters.protocols)
    assert (settings.numbers, settings.privacy, settings.releases) == (
        Numbers(),
        Privacy(),
        Releases(),
    )
    assert [site.exports for site in settings.site] == ["changes"] * 4 + ["full"]


def test_a_clinic_of_several_chunks_has_logs_of_patients_in_each(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(simulation, "CHUNK_PATIENTS", 100)
    make_exports(tmp_path, patients=700, months=6, dirty_share=0)
    logging = [site.code for site in Parameters().sites if site.logs_temperatures]
    chunks = {
        kind: [_parts(tmp_path / "exports" / site, kind) for site in logging]
        for kind in ("sessions", "temperatures")
    }
    assert chunks["temperatures"] == chunks["sessions"]
    assert max(map(len, chunks["sessions"])) > 1


def _parts(exports: Path, kind: str) -> set[str]:
    return {path.stem.removeprefix(kind) for path in exports.rglob(f"{kind}*")}


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ({"patients": 0}, "patients = 0"),
        ({"seed": -1}, "seed = -1"),
        ({"months": 0}, "months = 0"),
        ({"dirty_share": 0.6}, "dirty_share = 0.6"),
        ({"dirty_share": -0.1}, "dirty_share = -0.1"),
    ],
)
def test_arguments_out_of_range_are_refused(
    tmp_path: Path, arguments: dict[str, float], told: str
) -> None:
    with pytest.raises(WrongUse, match=told):
        make_exports(tmp_path, **arguments)  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


def test_exports_are_never_mixed_with_others(clean: Group) -> None:
    before = contents(clean.root)
    with pytest.raises(WrongUse, match="not empty"):
        make_exports(clean.root, patients=10)
    assert contents(clean.root) == before


@pytest.mark.parametrize(("patients", "months"), [(1, 24), (40, 1), (25, 3)])
def test_the_smallest_groups_can_be_made(tmp_path: Path, patients: int, months: int) -> None:
    make_exports(tmp_path, patients=patients, months=months)
    group = Group(tmp_path)
    assert group.truth("files")["rows"].sum() >= patients
    newest = {path.name for path in (tmp_path / "exports").glob("*/*")}
    assert max(newest) == "2026-10"
    assert len(newest) == months


def test_progress_is_told_to_the_end(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    make_exports(tmp_path, patients=50, months=2, on_progress=lambda *done: told.append(done))
    assert told == [(n, 5) for n in range(1, 6)]
