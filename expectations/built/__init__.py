"""The gate after the build: what must hold in every warehouse, whatever came in."""

from pathlib import Path

from expectations.built import conservation, plausibility, published
from expectations.declaration import Declaration

__all__ = ["declarations"]


def declarations(inputs: Path) -> tuple[Declaration, ...]:
    """The gate's declarations; those on conservation read the release's accepted rows again."""
    return (
        *published.DECLARATIONS,
        *conservation.declarations(inputs),
        *plausibility.DECLARATIONS,
    )
