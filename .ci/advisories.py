"""Holds every version in uv.lock against an offline copy of advisories in OSV's format.

`python .ci/advisories.py COPY [LOCK]`: COPY is a folder or zip file of OSV's JSON records for PyPI.
Ends with 1 where a locked version is among those that a record names as affected.
"""

import json
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ECOSYSTEM = "PyPI"


def locked(lock: Path) -> set[tuple[str, str]]:
    """Name and version of each package in a lock."""
    packages = tomllib.loads(lock.read_text("utf-8"))["package"]
    return {(package["name"], package["version"]) for package in packages if "version" in package}


def records(copy: Path) -> Iterator[dict[str, Any]]:
    """The advisories of a copy."""
    if copy.is_dir():
        yield from (json.loads(path.read_text("utf-8")) for path in sorted(copy.rglob("*.json")))
        return
    with zipfile.ZipFile(copy) as packed:
        for name in sorted(packed.namelist()):
            yield json.loads(packed.read(name))


def affected(record: dict[str, Any], packages: set[tuple[str, str]]) -> Iterator[str]:
    """A line for each locked package that a standing advisory names."""
    if "withdrawn" in record:
        return
    for one in record.get("affected", ()):
        package = one.get("package", {})
        name = package.get("name", "").lower().replace("_", "-").replace(".", "-")
        if package.get("ecosystem") != ECOSYSTEM:
            continue
        for known, version in sorted(packages):
            if known.replace(".", "-") == name and version in one.get("versions", ()):
                yield f"{known} {version}: {record['id']} {record.get('summary', '')}".rstrip()


def main(copy: Path, lock: Path) -> int:
    """Say what is affected."""
    packages = locked(lock)
    found, read = [], 0
    for record in records(copy):
        read += 1
        found += affected(record, packages)
    print(
        f"{len(packages)} locked versions held against {read:,} advisories: {len(found)} affected"
    )
    print(*found, sep="\n", end="\n" if found else "")
    return 1 if found or not read else 0


if __name__ == "__main__":
    copy, lock = (*map(Path, sys.argv[1:]), Path("uv.lock"))[:2]
    sys.exit(main(copy, lock))
