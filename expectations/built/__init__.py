"""The gate after the build: what must hold in every warehouse, whatever came in."""

from expectations.built import conservation, defined, plausibility, published
from expectations.declaration import Declaration
from pipeline.workspace import Release

__all__ = ["declarations"]


def declarations(release: Release) -> tuple[Declaration, ...]:
    """The gate's declarations; those on conservation read the release's accepted rows again."""
    return (
        *published.DECLARATIONS,
        *conservation.declarations(release.inputs),
        *plausibility.DECLARATIONS,
        *defined.declarations(release),
    )
