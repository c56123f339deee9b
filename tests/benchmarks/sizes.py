"""Invented groups of three sizes, with the rows of a patient that a large group would have."""

from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.workspace import key_file
from synthetic_data import make_exports
from synthetic_data.parameters import SIGNS, Parameters

# Measured less often, and fewer things, than in the demo: some 12 values and 65 samples a patient.
LEANER = replace(
    Parameters(),
    signs=tuple(replace(sign, noted=0.6) for sign in SIGNS[:3]),
    speed_noted=0.0,
    deq5_noted=0.0,
    between_noted=0.3,
    logged=0.048,
)


@dataclass(frozen=True)
class Size:
    """How large a group is; the largest has about 4.5 million sessions and 12 million outcomes."""

    name: str
    patients: int


SIZES = {size.name: size for size in (Size("S", 20_000), Size("M", 200_000), Size("L", 1_000_000))}


def make_group(root: Path, size: Size) -> None:
    """Write clean exports of so many patients, and a key beside them."""
    make_exports(root, patients=size.patients, dirty_share=0, parameters=LEANER)
    write_key(root)


def write_key(root: Path) -> None:
    key_file(root).write_text("an invented key of enough length\n")
    key_file(root).chmod(0o600)
