"""That each protection matters: with it taken out, the harness finds something."""

from tests.crashes.harness import Figures, NotProtected, Scenario, Server, survey
from tests.crashes.mutations import MUTATIONS

# The steps at which each shows, so that not all have to be gone through.
SHOWS_AT = {
    "no fsync": ("switch",),
    "switch before the gates": ("build",),
    "prune before the switch": ("prune",),
    "manifest before the pages": ("pages",),
    "removed without its manifest first": ("prune",),
    "a link that is first removed": ("switch",),
}


def caught(server: Server, scenario: Scenario) -> list[str]:
    """Every mutation, once the harness has caught it.

    Raises:
        AssertionError: it went unnoticed.
    """
    for name in MUTATIONS:
        finds(server, scenario, name)
    return list(MUTATIONS)


def finds(server: Server, scenario: Scenario, mutation: str) -> str:
    """What the harness says of a mutation."""
    try:
        survey(
            server,
            scenario,
            "kill",
            Figures(),
            *SHOWS_AT[mutation],
            at_each_step=False,
            mutation=mutation,
        )
    except NotProtected as found:
        return str(found)
    raise AssertionError(f"unnoticed: {mutation}")
