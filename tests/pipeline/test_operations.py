"""The examples for a timer and for cron give commands that there are, without a network."""

import configparser
import re
import shlex
from importlib.resources import files

import pytest

from pipeline.cli import carry_out

EXAMPLES = files("pipeline") / "operations"
COMMAND = re.compile(r"/srv/lidcohort/venv/bin/lidcohort .*")


def read(name: str) -> configparser.ConfigParser:
    parser = configparser.ConfigParser(interpolation=None)
    parser.optionxform = str
    parser.read_string((EXAMPLES / name).read_text("utf-8"))
    return parser


@pytest.mark.parametrize("name", ["lidcohort@.service", "crontab"])
def test_every_command_is_one_that_there_is(name, tmp_path, capsys):
    commands = COMMAND.findall((EXAMPLES / name).read_text("utf-8"))
    assert commands
    for command in commands:
        _, *arguments = shlex.split(command.replace("/srv/lidcohort", str(tmp_path)))
        assert carry_out(arguments) == 2
        assert "does not exist. Make it with" in capsys.readouterr().err


def test_the_service_has_no_network_and_writes_for_its_owner_alone():
    service = read("lidcohort@.service")["Service"]
    assert service["PrivateNetwork"] == "yes"
    assert service["UMask"] == "0077"
    assert service["ReadWritePaths"] in service["ExecStart"]


def test_the_timer_starts_the_service_of_its_name_and_makes_up_for_a_night_off():
    timer = read("lidcohort@.timer")
    assert timer["Timer"]["Persistent"] == "yes"
    assert timer["Install"]["WantedBy"] == "timers.target"


def test_every_line_of_the_crontab_has_five_times_and_a_command():
    lines = (EXAMPLES / "crontab").read_text("utf-8").splitlines()
    jobs = [line for line in lines if line[:1].isdigit()]
    assert jobs
    for job in jobs:
        assert re.fullmatch(r"(?:[\d*]+ ){4}[\d*]+  /\S+ .+", job)
