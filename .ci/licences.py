"""Prints DEPENDENCIES.md: what a run needs, directly or not, and under which licence."""

import tomllib
from importlib.metadata import Distribution, distribution
from pathlib import Path

from packaging.requirements import Requirement

NOT_STATED = "not stated in the package"
HEAD = """# What a run needs

Made by `uv run --extra spark python .ci/licences.py > DEPENDENCIES.md`, from what each package says
of itself.
Versions and the digests of every file stand in uv.lock, and a wheel carries them as an SBOM.

| package | licence | |
|---|---|---|
"""
PROJECT = Path(__file__).parents[1]


def needed(requirements: list[str]) -> dict[str, Distribution]:
    """Every installed package that these requirements lead to, by its name."""
    found: dict[str, Distribution] = {}
    waiting = [Requirement(text) for text in requirements]
    while waiting:
        one = waiting.pop()
        name = one.name.lower().replace("_", "-")
        extras = {"", *one.extras}
        if name in found and not one.extras:
            continue
        found[name] = distribution(one.name)
        for text in found[name].requires or ():
            more = Requirement(text)
            if more.marker is None or any(more.marker.evaluate({"extra": e}) for e in extras):
                waiting.append(more)
    return found


def licence(package: Distribution) -> str:
    """What a package says: an expression, else its classifiers, else one short line."""
    said = package.metadata
    if expression := said.get("License-Expression"):
        return expression
    classifiers = [
        line.split("::")[-1].strip()
        for line in said.get_all("Classifier", [])
        if line.startswith("License ::")
    ]
    line = (said.get("License") or "").strip().splitlines()[:1]
    return ", ".join(classifiers) or "".join(line) or NOT_STATED


def main() -> None:
    """Print the page."""
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text("utf-8"))["project"]
    print(HEAD, end="")
    direct = {Requirement(text).name for text in project["dependencies"]}
    always = needed(project["dependencies"])
    at_most = always | needed(project["optional-dependencies"]["spark"])
    for name, package in sorted(at_most.items()):
        why = "asked for" if name in direct else "" if name in always else "for Spark only"
        print(f"| {name} | {licence(package)} | {why} |")


if __name__ == "__main__":
    main()
