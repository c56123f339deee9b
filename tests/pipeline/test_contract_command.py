"""`lidcohort contract`: what to hand to whoever writes a clinic's exports."""

import json

from pipeline.cli import carry_out
from pipeline.settings import read_settings


def protocols_named(folder):
    package = json.loads((folder / "datapackage.json").read_text())
    [sessions] = [each for each in package["resources"] if each["name"] == "sessions"]
    [field] = [each for each in sessions["schema"]["fields"] if each["name"] == "protocol"]
    return field["constraints"].get("enum")


def test_it_is_written_into_a_folder_that_is_not_there(tmp_path, capsys):
    folder = tmp_path / "contract"
    assert carry_out(["contract", str(folder)]) == 0
    assert f"Wrote {folder}/datapackage.json and 8 sheets" in capsys.readouterr().out
    assert len(list(folder.glob("*.md"))) == 8
    assert protocols_named(folder) is None


def test_a_group_s_protocols_are_the_only_ones(tmp_path, root):
    folder = tmp_path / "contract"
    assert carry_out(["contract", str(folder), "--workspace", str(root)]) == 0
    assert protocols_named(folder) == list(read_settings(root / "group.toml").protocol_codes)


def test_a_folder_in_use_is_left_alone(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine")
    assert carry_out(["contract", str(tmp_path)]) == 2
    assert "is there already and not empty. Name a folder" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_a_workspace_that_is_none_writes_nothing(tmp_path, capsys):
    folder = tmp_path / "contract"
    assert carry_out(["contract", str(folder), "--workspace", str(tmp_path / "nowhere")]) == 2
    assert "nowhere" in capsys.readouterr().err
    assert not folder.exists()
