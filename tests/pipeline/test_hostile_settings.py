"""group.toml, mappings and folders made to do harm: one short line each, and soon."""

import time

import pytest

from ingest.mapping import parse_mapping
from pipeline.cli import carry_out
from pipeline.errors import WrongUse
from pipeline.settings import MOST_TOML_BYTES
from pipeline.voice import Voice
from pipeline.workspace import Workspace, key_file
from tests.pipeline.conftest import GROUP

SOON = 20  # s, on a busy machine
TOO_LONG = f"longer than {MOST_TOML_BYTES:,} bytes"
HOSTILE = {
    "100 MB": ("#" * (100 << 20), TOO_LONG),
    "deep lists": ("a = " + "[" * 200_000, "nested too deeply"),
    "deep tables": ("a = " + "{b=" * 200_000, "nested too deeply"),
    "a name of many parts": (".".join(["a"] * 200_000) + " = 1", "more than 100 dots"),
    "a section of many parts": ("\n[" + ".".join(["a"] * 200_000) + "]", "more than 100 dots"),
    "a number of many digits": ("a = " + "9" * 100_000, ""),
    "a long unknown key": ("k" * 500_000 + " = 1", "unknown key"),
    "a long value": ('[group]\nas_of = "' + "9" * 500_000 + '"', "is no date"),
    "no UTF-8": ("\udcff", "not UTF-8"),
}


@pytest.mark.parametrize(("text", "said"), HOSTILE.values(), ids=HOSTILE)
def test_hostile_settings_are_one_short_line(root, capsys, text, said):
    (root / "group.toml").write_bytes(text.encode("utf-8", "surrogateescape"))
    began = time.monotonic()
    assert carry_out(["run", "--workspace", str(root)]) == 2
    assert time.monotonic() - began < SOON
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
    assert len(told) < 1000


@pytest.mark.parametrize(("text", "said"), HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_mapping_is_one_short_line(root, text, said):
    with pytest.raises(WrongUse) as refused:
        parse_mapping(text.encode("utf-8", "surrogateescape"), root / "mappings" / "alder.toml")
    assert len(str(refused.value)) < 1000


def test_settings_that_never_end_are_read_no_further_than_they_may_be(root):
    (root / "group.toml").unlink()
    (root / "group.toml").symlink_to("/dev/zero")
    with pytest.raises(WrongUse, match=TOO_LONG):
        Workspace.open(root)


@pytest.mark.parametrize(
    "code",
    ["../alder", "al/der", "alder'; drop table x; --", "{{ 7 }}", "<b>", "Alder", "a" * 41, "a\nb"],
)
@pytest.mark.parametrize("section", ["site", "protocol"])
def test_a_code_is_neither_path_nor_query_nor_markup(root, code, section, capsys):
    old = "alder" if section == "site" else "four"
    quoted = code.replace("\n", "\\n")
    (root / "group.toml").write_text(GROUP.replace(f'"{old}"', f'"{quoted}"'))
    assert carry_out(["run", "--workspace", str(root)]) == 2
    assert "is no code" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["it's", 'a "group"', "group*", "a[b]", "{a}", "what?", "a\nb"])
def test_a_folder_whose_name_a_query_would_read_is_refused(tmp_path, name, capsys):
    root = tmp_path / name
    root.mkdir()
    (root / "group.toml").write_text(GROUP)
    key_file(root).write_text("an invented key of enough length\n")
    assert carry_out(["run", "--workspace", str(root)]) == 2
    told = capsys.readouterr().err
    assert told.endswith("Rename it. Nothing has been published yet.\n")
    assert told.count("\n") == 1


def test_a_folder_of_ordinary_letters_is_not(tmp_path):
    root = tmp_path / "Group of Zôbel & 診 (2026), new;"
    root.mkdir()
    (root / "group.toml").write_text(GROUP)
    key_file(root).write_text("an invented key of enough length\n")
    key_file(root).chmod(0o600)
    assert Workspace.open(root).root == root


@pytest.mark.parametrize("unseen", ["\x1b[2J", "\x9b31m", "\u202e", "\x07", "\r", "\u200b"])
def test_no_text_moves_a_terminals_cursor(capsys, unseen):
    voice = Voice()
    voice.say(f"a{unseen}b")
    voice.warn(f"a{unseen}b")
    voice.fail(WrongUse(f"a{unseen}b.", "Rename it."))
    told = capsys.readouterr()
    assert unseen not in told.out + told.err
    assert "?" in told.out
