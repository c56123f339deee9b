"""Puts the SBOM into a wheel (PEP 770) where `.ci/sbom` has written one."""

from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

SBOM = "sbom.cdx.json"


class WithSbom(BuildHookInterface):  # type: ignore[type-arg]
    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Name the SBOM to whatever builds the wheel."""
        if Path(self.root, SBOM).is_file():
            build_data["sbom_files"].append(SBOM)
