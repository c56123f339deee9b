"""The gate before the build: what no single row can show about what came in."""

from great_expectations.expectations.expectation import Expectation
from great_expectations.expectations.row_conditions import Column, Condition

from expectations import thresholds as at
from expectations.arrival.measuring import MEASURED, measure
from expectations.declaration import Declaration, none_in, within
from expectations.report import Severity

__all__ = ["DECLARATIONS", "MEASURED", "measure"]

STOP, WARN = Severity.STOP, Severity.WARN

IS_RECENT = Column("batches_since") < at.RECENT_BATCHES
HAS_HISTORY = Column("earlier_batches") >= at.EARLIER_BATCHES_NEEDED
IS_BEYOND_CHANCE = Column("standard_errors_off") >= at.STANDARD_ERRORS_JUDGED
ASK_THE_CLINIC = "Ask the clinic to export the batch again, or correct mappings/<site>.toml."


def orphans_below(share: float, at_least: int) -> Expectation:
    """Where that many keys of a link or more lead nowhere, their share is not above a limit."""
    return none_in(
        f"""
        select linked_keys.site || '/' || linked_keys.link || '/' || linked_keys.linked_key as key
        from {{batch}} as links
        inner join linked_keys using (site, link)
        where
            linked_keys.leads_nowhere
            and links.orphans >= {at_least}
            and links.orphan_share > {share}
        """
    )


def mean_as_usual(when: Condition) -> Expectation:
    """No mean that rests on enough values and history differs from the usual by a factor."""
    return within(
        "times_usual_mean",
        low=at.LOWEST_TIMES_USUAL_MEAN,
        high=at.HIGHEST_TIMES_USUAL_MEAN,
        when=when
        & (Column("recorded") >= at.VALUES_JUDGED_FOR_UNIT)
        & IS_BEYOND_CHANCE
        & HAS_HISTORY,
    )


DECLARATIONS: tuple[Declaration, ...] = (
    Declaration(
        "rows_conserved",
        "Each row read from a file was accepted, refused, an exact repeat, or a forgotten "
        "patient's, and lies where it was put.",
        "Rows got lost or came twice on the way from a file to where they are kept.",
        "A row got lost or came twice on the way: clear accepted/ and quarantine/ and run again.",
        STOP,
        "file_rows",
        none_in(
            """
            select
                key,
                rows_read,
                accepted,
                refused,
                exact_repeats,
                forgotten,
                stored_accepted,
                stored_refused
            from {batch}
            where
                not file_refused
                and (
                    rows_read <> accepted + refused + exact_repeats + forgotten
                    or accepted <> stored_accepted
                    or refused <> stored_refused
                )
            """
        ),
    ),
    Declaration(
        "files_readable",
        "No file was refused whole.",
        "Files were refused whole.",
        "A required column is missing, the file cannot be read, or it holds what may identify a "
        "person: correct it at the source and export it again.",
        STOP,
        "file_rows",
        none_in("select key || ': ' || file_reason as key from {batch} where file_refused"),
    ),
    Declaration(
        "refused_share_bearable",
        "Of each kind in a batch, most rows were accepted.",
        "More than a quarter of a kind's rows in a batch were refused.",
        "So many rows are missing that the clinic's rates may mislead: see the reasons on the "
        f"quality page. {ASK_THE_CLINIC}",
        STOP,
        "arrivals",
        within(
            "refused_share",
            high=at.REFUSED_SHARE_STOPPED,
            when=Column("refused") >= at.FAULTS_STOPPED,
        ),
    ),
    Declaration(
        "refused_share_low",
        "Of each kind in a recent batch, few rows were refused.",
        "Many rows of a kind in a recent batch were refused.",
        f"See the reasons on the quality page. {ASK_THE_CLINIC}",
        WARN,
        "arrivals",
        within(
            "refused_share",
            high=at.REFUSED_SHARE_WARNED,
            when=(Column("refused") >= at.SLIPS) & IS_RECENT,
        ),
    ),
    Declaration(
        "rows_as_usual",
        "A recent batch has about as many rows of a kind as the site usually sends.",
        "A recent batch has far fewer or far more rows of a kind than the site usually sends.",
        f"The export may be cut short, or hold more than its month. {ASK_THE_CLINIC}",
        WARN,
        "arrivals",
        within(
            "times_usual_rows",
            low=at.FEWEST_TIMES_USUAL,
            high=at.MOST_TIMES_USUAL,
            when=(Column("usual_patients") >= at.USUAL_PATIENTS_JUDGED) & HAS_HISTORY & IS_RECENT,
        ),
    ),
    Declaration(
        "required_kinds_exported",
        "A site that exports sends visits, sessions and outcomes.",
        "A site never sent a kind that is required.",
        "Without one of them nothing can be said about that clinic: add the kind to its export, a "
        "header alone where there was none yet.",
        STOP,
        "site_kinds",
        none_in("select key from {batch} where required and batches_with_kind = 0"),
    ),
    Declaration(
        "required_kinds_in_batch",
        "A recent batch holds visits, sessions and outcomes.",
        "A recent batch lacks a kind that is required.",
        "If the clinic had none that month, nothing is wrong; otherwise add the missing file.",
        WARN,
        "arrivals",
        none_in(
            f"""
            select key
            from {{batch}}
            where required and files = 0 and batches_since < {at.RECENT_BATCHES}
            """
        ),
    ),
    Declaration(
        "sites_export",
        "Each site of group.toml has exported at least one batch.",
        "A site of group.toml has not exported anything yet.",
        "Put its exports under exports/<site>/<batch>/, or take the site out of group.toml.",
        WARN,
        "freshness",
        none_in("select key from {batch} where batches = 0"),
    ),
    Declaration(
        "exports_fresh",
        "Each site's newest batch reaches close to the as-of date.",
        "A site's newest batch ends long before the as-of date.",
        "The clinic's pages end at its newest batch: ask for what is missing since.",
        WARN,
        "freshness",
        within("days_behind", high=at.DAYS_BEHIND_WARNED),
    ),
    Declaration(
        "columns_filled_as_usual",
        "In a recent batch no column is left empty much more often than the site usually does.",
        "In a recent batch a column is left empty much more often than the site usually does.",
        f"The column may have been lost or renamed at the source. {ASK_THE_CLINIC}",
        WARN,
        "columns_filled",
        within(
            "rise_of_empty_share",
            high=at.HIGHEST_RISE_OF_EMPTY_SHARE,
            when=(Column("patients") >= at.PATIENTS_JUDGED_FOR_EMPTINESS)
            & IS_BEYOND_CHANCE
            & HAS_HISTORY
            & IS_RECENT,
        ),
    ),
    Declaration(
        "values_within_contract",
        "Of each column's values, fewer than half lie outside its range or codes.",
        "Half of a column's values or more lie outside its range or codes.",
        f"The column holds another unit or other codes than the contract says. {ASK_THE_CLINIC}",
        STOP,
        "columns_filled",
        within(
            "flagged_share",
            high=at.FLAGGED_SHARE_STOPPED,
            when=Column("flagged") >= at.FAULTS_STOPPED,
        ),
    ),
    Declaration(
        "values_mostly_within_contract",
        "Of each column's values in a recent batch, few lie outside its range or codes.",
        "In a recent batch many of a column's values lie outside its range or codes.",
        f"They were left empty, or kept and flagged: see the quality page. {ASK_THE_CLINIC}",
        WARN,
        "columns_filled",
        within(
            "flagged_share",
            high=at.FLAGGED_SHARE_WARNED,
            when=(Column("flagged") >= at.SLIPS) & IS_RECENT,
        ),
    ),
    Declaration(
        "units_unchanged",
        "No batch's mean lid temperature or OSDI differs from the site's earlier batches as far as "
        "in another unit.",
        "A batch's mean lid temperature or OSDI differs from the site's earlier batches as far "
        "as in another unit.",
        "Fahrenheit for Celsius, or a score that was not scaled to 100: set the unit in "
        "mappings/<site>.toml, or ask the clinic to export the batch again.",
        STOP,
        "typical_values",
        mean_as_usual(Column("quantity").is_in(list(at.UNITS_STOPPED))),
    ),
    Declaration(
        "means_as_usual",
        "In a recent batch no other quantity's mean is far from that of the site's earlier ones.",
        "In a recent batch a quantity's mean is far from that of the site's earlier ones.",
        "If the clinic has changed how it works or measures, nothing is wrong; otherwise the unit "
        f"may be another one. {ASK_THE_CLINIC}",
        WARN,
        "typical_values",
        mean_as_usual(Column("quantity").is_not_in(list(at.UNITS_STOPPED)) & IS_RECENT),
    ),
    Declaration(
        "links_hold",
        "The patients of sessions and outcomes have visits, and the sessions of adverse events "
        "are known.",
        "Many patients of sessions or outcomes have no visit, or many adverse events name a "
        "session that no export holds.",
        "Two kinds were exported with different numbers for the same patients or sessions. "
        f"{ASK_THE_CLINIC}",
        STOP,
        "links",
        orphans_below(at.ORPHAN_SHARE_STOPPED, at.FAULTS_STOPPED),
    ),
    Declaration(
        "links_mostly_hold",
        "Few patients of sessions and outcomes have no visit, and few adverse events an unknown "
        "session.",
        "Some patients of sessions or outcomes have no visit, or some adverse events name a "
        "session that no export holds.",
        "Their visits or sessions were refused or never exported: add them at the source.",
        WARN,
        "links",
        orphans_below(at.ORPHAN_SHARE_WARNED, at.SLIPS),
    ),
    Declaration(
        "contents_differ_between_sites",
        "No two sites sent the same rows of a kind.",
        "Two sites sent the same rows of a kind.",
        "One clinic's export lies in another clinic's folder: move it to where it belongs.",
        STOP,
        "contents",
        none_in(
            f"""
            select
                one.key,
                other.key as same_as
            from {{batch}} as one
            inner join contents as other using (kind, fingerprint)
            where one.site <> other.site and one.rows_accepted >= {at.ROWS_JUDGED_FOR_COPIES}
            """
        ),
    ),
    Declaration(
        "harms_settled",
        "No harm was refused, lowered or withdrawn without somebody having settled it.",
        "Harms were refused, lowered or withdrawn, and nobody has settled them.",
        "Ask the clinic what happened, then settle each in group.toml under [[settled_harm]].",
        WARN,
        "freshness",
        none_in(
            """
            select harms.key, harms.why
            from {batch} as sites
            inner join harms using (site)
            where harms.why is not null and not harms.settled
            """
        ),
    ),
)
