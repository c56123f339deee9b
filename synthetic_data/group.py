"""The invented group's group.toml."""

import json

from pipeline.settings import Protocol
from synthetic_data.parameters import InventedSite, Parameters

OPENING = """\
# An invented group: no such clinic, patient or treatment result exists.

[group]
name = {name}
invented = true                  # every page says so
as_of = "latest"                 # or a date: the last day covered by the newest batch
reference_protocol = "most_used" # or a code

[numbers]
course_gap_days = 120            # a longer gap between sessions opens a new course
baseline_days = 90               # a baseline lies at most so long before the first session
settle_days = 14                 # the final evaluation: from so many days after the last session
target_day = 60                  # ... nearest to this day
followup_days = 120              # ... up to this day
test_retest_osdi = {reliability} # from memory, Schiffman 2000

[privacy]
hide_counts_below = 11

[releases]
keep = 12
"""

SITE = """
[[site]]
code = {code}
label = {label}
exports = {exports} # changes: new and changed rows; full: everything, each time
"""

PROTOCOL = """
[[protocol]]
code = {code}
label = {label}
sessions_planned = {sessions_planned}
spacing_days = {spacing_days}
band_c = {band_c} # common practice, no source
ceiling_c = {ceiling_c}
minutes = {minutes} # common practice, no source
maintenance_days = {maintenance_days} # common practice, no source
price = {price:g} # shown on the owner's page only
"""


def group_toml(parameters: Parameters) -> str:
    """The text of group.toml for these sites and protocols."""
    opening = OPENING.format(
        name=_value(parameters.group_name), reliability=parameters.osdi_reliability
    )
    sites = [_site(site) for site in parameters.sites]
    protocols = [_protocol(protocol.definition) for protocol in parameters.protocols]
    return "".join([opening, *sites, *protocols])


def _site(site: InventedSite) -> str:
    return SITE.format(
        code=_value(site.code), label=_value(site.label), exports=_value(site.exports)
    )


def _protocol(protocol: Protocol) -> str:
    values = protocol.model_dump(mode="json")
    return PROTOCOL.format(
        **{name: _value(value) for name, value in values.items() if name != "price"},
        price=protocol.price,
    )


def _value(value: object) -> str:
    """Texts, numbers and lists are written in TOML as in JSON."""
    return json.dumps(value)
