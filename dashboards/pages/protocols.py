"""Protocols compared: each beside the reference, crude and with the same mix of grades."""

from collections.abc import Iterator, Sequence

from dashboards import cautions, coarse, figures, words
from dashboards.coarse import Rate
from dashboards.hidden_counts import Mark
from dashboards.kinds import group_page
from dashboards.page import Chart, Choice, Page, Section, Table, table
from dashboards.pages import durability
from dashboards.questions import rule_question
from dashboards.shared_tables import TOTAL
from dashboards.source import Source, drawn, totals
from dashboards.warehouse import Row

CHANCE = 0.05  # below it a difference is called larger than chance, after adjusting for the number
MIX = "the same mix of grades"
LIMITS = (
    "Each row is a pair of rates: a square for the reference, a dot for the protocol, the bar "
    "between them their difference. Crude rates are of the patients as they are. Those with "
    f"{MIX} are what both would be if they treated patients alike in the symptom score before; "
    "age, other treatments, the operator and much else can still differ. Both are left out where "
    "the two cannot be compared."
)


def pages(source: Source) -> Iterator[Page]:
    reference = _reference(source)
    yield group_page(
        "protocols",
        title="Protocols compared",
        content={
            "lead": _lead(source, reference),
            "choice": Choice(
                (rule_question(source),),
                tuple(_section(source, rule) for rule in source.rules if reference),
                empty="There is no other protocol to compare with.",
            ),
            "comparisons": len(_comparable(source)),
            "follow_up": durability.follow_up(source, "Protocol", "protocol", source.protocols),
        },
        read_with_care=(
            cautions.OWN_GRADES,
            cautions.NOT_A_LEAGUE,
            cautions.coarse_figures(source.below),
        ),
    )


def _reference(source: Source) -> str | None:
    rows = source.full.find("protocol_comparison")
    return rows[0]["reference_protocol"] if rows else None


def _comparable(source: Source) -> list[Row]:
    return [
        row
        for row in source.full.find("protocol_comparison", comparable=True)
        if row["p_adjusted"] is not None
    ]


def _lead(source: Source, reference: str | None) -> str:
    if reference is None:
        return "The group has one protocol only: there is nothing to compare it with."
    why = (
        "the group's most used"
        if source.settings.group.reference_protocol == "most_used"
        else "the one that group.toml names"
    )
    apart = [row for row in _comparable(source) if _is_beyond_chance(row)]
    verdict = (
        f"{words.capital(source.many(len(apart), 'difference'))} larger than chance alone would "
        "give: named below."
        if apart
        else "No difference larger than chance can be shown."
    )
    return f"Each protocol beside {source.protocols[reference]}, {why}. {verdict}"


def _is_beyond_chance(row: Row) -> bool:
    return bool(row["p_adjusted"] < CHANCE)


def _pairs(source: Source, rule: Row) -> list[Row]:
    """The rule's pairs in the order of group.toml."""
    return [
        row
        for code in source.protocols
        for row in source.full.find("protocol_comparison", rule=rule["rule"], protocol=code)
    ]


def _section(source: Source, rule: Row) -> Section:
    """The verdict on each pair first, then their rates, then whether grades differ in it."""
    pairs = _pairs(source, rule)
    chart = _chart(source, rule, pairs)
    return Section(
        (rule["rule"],),
        charts=(chart,) if chart else (),
        sentences=() if chart else ("Too few have been measured to draw the rates.",),
        terms=tuple((source.protocols[row["protocol"]], _verdict(source, row)) for row in pairs),
        tables=(_homogeneity(source, rule),),
    )


def _chart(source: Source, rule: Row, pairs: Sequence[Row]) -> Chart | None:
    drawn_rows = [bell for row in pairs for bell in _dumbbells(source, row)]
    if not drawn_rows:
        return None
    reference = source.protocols[pairs[0]["reference_protocol"]]
    units = words.UNITS[rule["unit"]] + "s"
    return Chart(
        slug=f"pairs-{rule['rule']}",
        heading=f"{words.RULES[rule['rule']]}: better, beside {reference}",
        reading=" ".join(
            f"{source.protocols[row['protocol']]}: {_crude(source, row)}" for row in pairs
        ),
        limits=LIMITS,
        figure=figures.dumbbells(
            drawn_rows,
            (f"reference: {reference}", "the protocol at the left"),
            f"better, of 100 {units}",
        ),
        table=_table(source, rule, pairs),
    )


def _dumbbells(source: Source, row: Row) -> Iterator[figures.Dumbbell]:
    label = source.protocols[row["protocol"]]
    pairs = {
        "crude": (row["reference_crude_rate"], row["crude_rate"]),
        MIX: (row["reference_standardised_rate"], row["standardised_rate"]),
    }
    for note, shares in pairs.items():
        first, second = (drawn(_rate(source, row, share)) for share in shares)
        is_shown = note == "crude" or row["comparable"]
        if is_shown and first is not None and second is not None:
            yield figures.Dumbbell(label, note, first, second)


def _rate(source: Source, row: Row, share: float | None) -> Rate:
    """A figure of the pair, rounded by the smaller of the two protocols."""
    return coarse.in_100(share, min(_measured(source, row)), shown=_counts_shown(source, row))


def _measured(source: Source, row: Row) -> tuple[int, int]:
    return (
        _arm(source, row, row["protocol"])["evaluable"],
        _arm(source, row, row["reference_protocol"])["evaluable"],
    )


def _arm(source: Source, row: Row, protocol: str) -> Row:
    return _place(source.full.find("response_by_grade", **_of_arm(row, protocol)))


def _shared_arm(source: Source, row: Row, protocol: str) -> Row:
    return _place(source.shared.find("response_by_grade", **_of_arm(row, protocol)))


def _of_arm(row: Row, protocol: str) -> dict[str, str]:
    place = totals(grading="symptoms", grade=TOTAL, period=TOTAL, protocol=protocol)
    return place | {"rule": row["rule"]}


def _place(rows: list[Row]) -> Row:
    return rows[0] if rows else {"evaluable": 0, "responders": 0}


def _counts_shown(source: Source, row: Row) -> bool:
    """Whether the page on response shows the counts of both anyway."""
    return not any(
        isinstance(_shared_arm(source, row, protocol)[count], Mark)
        for protocol in (row["protocol"], row["reference_protocol"])
        for count in ("evaluable", "responders")
    )


def _crude(source: Source, row: Row) -> str:
    label = source.protocols[row["reference_protocol"]]
    own, other = (_rate(source, row, row[c]) for c in ("crude_rate", "reference_crude_rate"))
    if not isinstance(own, int) or not isinstance(other, int):
        return f"its crude rate, beside {label}, is hidden or not known."
    return (
        f"{own} in 100 better as they are{_of(source, row, row['protocol'])}, {other} in 100 with "
        f"{label}{_of(source, row, row['reference_protocol'])}."
    )


def _of(source: Source, row: Row, protocol: str) -> str:
    measured = _shared_arm(source, row, protocol)["evaluable"]
    return "" if isinstance(measured, Mark) else f" (of {source.count(measured)} measured)"


def _verdict(source: Source, row: Row) -> str:
    if not row["comparable"]:
        return (
            f"Not compared: {words.why_not_compared(row['reason'])}. The crude figures do not say "
            "which is better."
        )
    if row["p_adjusted"] is None:
        return "Too few differ in outcome to say what chance would do: no verdict."
    return f"{_difference(source, row)} {_chance(source, row)} {_within_clinics(source, row)}"


def _difference(source: Source, row: Row) -> str:
    figures_of = [
        _rate(source, row, row[column])
        for column in ("difference", "difference_low", "difference_high")
    ]
    difference, low, high = figures_of
    if not isinstance(difference, int) or not isinstance(low, int):
        return f"With {MIX}, the difference is hidden: fewer than 20 measured with one of the two."
    return (
        f"With {MIX}, the difference is {words.signed(difference)} in 100 (limits "
        f"{words.signed_span(low, high)})."
    )


def _chance(source: Source, row: Row) -> str:
    p_values = f"p {words.chance(row['p_value'])}"
    comparisons = len(_comparable(source))
    if comparisons > 1:
        p_values += (
            f"; {words.chance(row['p_adjusted'])} with all {source.count(comparisons)} comparisons "
            "of this page allowed for"
        )
    if _is_beyond_chance(row):
        return (
            f"This is larger than chance alone would give ({p_values}). It may still come from "
            "whom each protocol is given to."
        )
    return (
        f"No difference larger than chance can be shown ({p_values}); that does not show that "
        "there is none: the limits say how large it could be."
    )


def _within_clinics(source: Source, row: Row) -> str:
    within = _rate(source, row, row["mh_difference"])
    if not isinstance(within, int):
        return ""
    return (
        f"Each clinic and grade compared with itself (Mantel and Haenszel): "
        f"{words.signed(within)} in 100."
    )


def _table(source: Source, rule: Row, pairs: Sequence[Row]) -> Table:
    return table(
        f"{words.RULES[rule['rule']]}: better, of 100 measured",
        (
            *("Protocol", "measured", "crude", "reference, crude"),
            *("same mix", "reference, same mix", "differ\u00adence", "95 % limits"),
            *("within clinics", "in grades that both have", "p", "p, all allowed for"),
            "why not compared",
        ),
        [
            (
                source.protocols[row["protocol"]],
                source.count(_shared_arm(source, row, row["protocol"])["evaluable"]),
                *(
                    words.rounded(_rate(source, row, row[column]))
                    for column in ("crude_rate", "reference_crude_rate")
                ),
                *_compared(source, row),
            )
            for row in pairs
        ],
        words_in=(0, 12),
    )


def _compared(source: Source, row: Row) -> tuple[str, ...]:
    """What is withheld where the two cannot be compared, and why."""
    if not row["comparable"]:
        why = words.capital(words.why_not_compared(row["reason"]))
        return (*[words.NONE] * 5, _overlap(source, row), words.NONE, words.NONE, why)
    low, high = (_rate(source, row, row[c]) for c in ("difference_low", "difference_high"))
    return (
        words.rounded(_rate(source, row, row["standardised_rate"])),
        words.rounded(_rate(source, row, row["reference_standardised_rate"])),
        words.signed(_rate(source, row, row["difference"])),
        words.signed_span(low, high),
        words.signed(_rate(source, row, row["mh_difference"])),
        _overlap(source, row),
        words.chance(row["p_value"]),
        words.chance(row["p_adjusted"]),
        words.NONE,
    )


def _overlap(source: Source, row: Row) -> str:
    return words.rounded(coarse.in_100(row["share_in_overlap"], min(_measured(source, row))))


def _homogeneity(source: Source, rule: Row) -> Table:
    return table(
        f"{words.RULES[rule['rule']]}: is the difference the same in every grade?",
        ("Protocol", "what can be said"),
        [
            (source.protocols[code], _alike(row))
            for code in source.protocols
            for row in source.full.find("band_homogeneity", rule=rule["rule"], protocol=code)
        ],
        words_in=(0, 1),
    )


def _alike(row: Row) -> str:
    """Whether the difference is the same in every grade, as far as can be told."""
    if not row["comparable"]:
        return f"Not tested: {words.why_not_compared(row['reason'])}."
    p_values = (
        f"{row['bands']} grades, p {words.chance(row['p_value'])}; "
        f"{words.chance(row['p_adjusted'])} with all tests allowed for"
    )
    if _is_beyond_chance(row):
        return (
            f"The difference is not the same in every grade ({p_values}): one of the two may suit "
            "some grades better, and the one figure above misleads."
        )
    return (
        f"That it varies from grade to grade cannot be shown ({p_values}); this does not say that "
        "it is the same in all."
    )
