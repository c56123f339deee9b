"""What the project is built from: locked, used, licensed, and held against advisories."""

import ast
import json
import re
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]
PYPROJECT = tomllib.loads((PROJECT / "pyproject.toml").read_text("utf-8"))
LOCK = tomllib.loads((PROJECT / "uv.lock").read_text("utf-8"))
OWN = set(PYPROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"])
CONFIGURED = (
    *(PROJECT / ".ci" / "run", PROJECT / ".ci" / "lint-sql"),
    *(PROJECT / ".pre-commit-config.yaml", PROJECT / "DEVELOPERS.md", PROJECT / ".sqlfluff"),
)
# Asked for and known by name only: the engine behind a database's address, the adapter that dbt
# finds by its profile, and the package whose script draws every chart.
BY_NAME = {
    "duckdb-engine": "duckdb://",
    "dbt-duckdb": "dbt.adapters.duckdb",
    "plotly": 'files("plotly")',
}
RUN_BY_NAME = {  # development tools that are run, not imported -> the word that runs them
    "pytest-xdist": "--numprocesses",
    "sqlfluff-templater-dbt": "templater",
    "pre-commit": "pre-commit",
}
STRONG_COPYLEFT = re.compile(r"\bA?GPL", re.IGNORECASE)
OR_ARTISTIC = {"text-unidecode"}  # under the Artistic License or GPL, as one likes


def named(requirements: list[str]) -> set[str]:
    return {re.split(r"[<>=!~\[; ]", text)[0].lower() for text in requirements}


def imported(*folders: str) -> set[str]:
    """The top modules that Python files import, at any place in them."""
    modules = set()
    for folder in folders:
        for path in (PROJECT / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Import):
                    modules |= {name.name.split(".")[0] for name in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                    modules.add(node.module.split(".")[0])
    return modules


def distributions(modules: set[str]) -> set[str]:
    known = packages_distributions()
    return {name.lower().replace("_", "-") for module in modules for name in known.get(module, ())}


RUNTIME = named(PYPROJECT["project"]["dependencies"])
OPTIONAL = named(PYPROJECT["project"]["optional-dependencies"]["spark"])
DEVELOPMENT = named(PYPROJECT["dependency-groups"]["dev"])
SOURCES = "".join(
    path.read_text("utf-8") for folder in OWN for path in (PROJECT / folder).rglob("*.py")
)


@pytest.mark.spark
def test_nothing_is_asked_for_that_no_code_imports():
    unused = (RUNTIME | OPTIONAL) - distributions(imported(*OWN))
    assert {name for name in unused if BY_NAME.get(name, "\0") not in SOURCES} == set()


@pytest.mark.spark
def test_nothing_is_imported_that_is_not_asked_for():
    outside = imported(*OWN) - OWN - set(sys.stdlib_module_names)
    lacking = {module for module in outside if not distributions({module}) & (RUNTIME | OPTIONAL)}
    assert lacking == set()


def test_no_development_tool_is_there_for_nothing():
    told = "".join(path.read_text("utf-8") for path in CONFIGURED)
    used = distributions(imported("tests", ".ci"))
    assert {name for name in DEVELOPMENT - used if RUN_BY_NAME.get(name, name) not in told} == set()


def test_every_locked_file_has_a_digest_and_comes_from_the_public_registry():
    for package in LOCK["package"]:
        if package["name"] == PYPROJECT["project"]["name"]:
            continue
        assert package["source"] == {"registry": "https://pypi.org/simple"}, package["name"]
        files = [*package.get("wheels", ()), *filter(None, [package.get("sdist")])]
        assert files, package["name"]
        for file in files:
            assert re.fullmatch(r"sha256:[0-9a-f]{64}", file["hash"])
            assert file["url"].startswith("https://files.pythonhosted.org/")


@pytest.mark.spark
def test_the_list_of_licences_is_what_the_packages_say():
    made = run(".ci/licences.py")
    assert (PROJECT / "DEPENDENCIES.md").read_text("utf-8") == made.stdout, (
        "uv run --extra spark python .ci/licences.py > DEPENDENCIES.md"
    )
    assert set(re.findall(r"^\| (\S+) \|.*asked for", made.stdout, re.MULTILINE)) == RUNTIME


def test_no_package_binds_those_who_use_it_to_its_own_licence():
    lines = (PROJECT / "DEPENDENCIES.md").read_text("utf-8").splitlines()
    bound = {line.split()[1] for line in lines if STRONG_COPYLEFT.search(line)}
    assert bound == OR_ARTISTIC


def run(script: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, PROJECT / script, *map(str, arguments)], capture_output=True, text=True
    )


def advisory(name: str, version: str, **more: object) -> str:
    package = {"ecosystem": "PyPI", "name": name}
    return json.dumps(
        {"id": "X-1", "affected": [{"package": package, "versions": [version]}], **more}
    )


POLARS = next(package["version"] for package in LOCK["package"] if package["name"] == "polars")


@pytest.mark.parametrize(
    ("record", "status"),
    [
        (advisory("polars", POLARS), 1),
        (advisory("Polars", POLARS, summary="invented"), 1),
        (advisory("polars", "0.0.1"), 0),
        (advisory("polars", POLARS, withdrawn="2026-01-01T00:00:00Z"), 0),
        (advisory("polars", POLARS).replace("PyPI", "npm"), 0),
    ],
)
def test_a_locked_version_that_an_advisory_names_is_found(tmp_path, record, status):
    (tmp_path / "copy").mkdir()
    (tmp_path / "copy" / "X-1.json").write_text(record)
    with zipfile.ZipFile(tmp_path / "all.zip", "w") as packed:
        packed.writestr("X-1.json", record)
    for copy in ("copy", "all.zip"):
        told = run(".ci/advisories.py", tmp_path / copy, PROJECT / "uv.lock")
        assert told.returncode == status, told.stderr
        assert ("polars" in told.stdout) == bool(status)


def test_an_empty_copy_is_no_proof(tmp_path):
    assert run(".ci/advisories.py", tmp_path, PROJECT / "uv.lock").returncode == 1
