"""What no page may be read without, written once."""

GENERAL = (
    "These figures describe patients who were treated and came back. Nobody was allotted a "
    "treatment by lot and no untreated group was followed, though some get better by themselves: "
    "change over time also holds chance, a return to the usual after a bad day, the season and "
    "other treatments, and clinics and protocols differ in whom they treat.",
    "Nothing here is advice on treating anyone. Heat can burn skin and harm the cornea: the "
    "manufacturer's instructions, local rules and licensed judgement come first. A sensor at "
    "the lid does not measure the tissue.",
    "Report adverse events by your local route; a page here is no report. That none was recorded "
    "does not show that there was none.",
)
PLAIN = (
    "These numbers are about other people. They cannot say what will happen to you.",
    "Nobody here was put in a group without the treatment. Some people feel better on their own, "
    "and scores go up and down by chance.",
    "The people who treat also ask the questions.",
    "Heat can burn the skin and hurt the eye. Talk with your eye clinic before you decide. Tell "
    "them about anything that worries you.",
)
RECALL = "Who is due is a list to review, not an order to treat: screen again first."
NOT_A_LEAGUE = (
    "Clinics and protocols stand in the order of group.toml, not of their figures. They treat "
    "different patients, so a difference between them may say nothing about how well they work."
)
OWN_GRADES = "Outcomes are measured by those who treat."
FULL_COUNTS = (
    "This page shows full counts. It is for the clinic itself: keep it in the clinic's folder."
)


def hidden_counts(below: int) -> str:
    """How to read what is hidden where counts may leave a clinic (definition 17)."""
    return (
        f"Counts from 1 to {below - 1} are shown as <{below}; a figure marked 'hidden' would give "
        "one of them back. A clinic's own pages show them all."
    )


def coarse_figures(below: int) -> str:
    """How to read figures whose own counts stay with the clinics."""
    return (
        "The counts behind the curves and comparisons stay with the clinics. Rates and differences "
        "are rounded so that one patient more or less reads the same: to whole numbers of 100 from "
        "200 measured on, to fives from 40, to tens from 20; below that they are marked 'hidden'. "
        f"Counts from 1 to {below - 1} are shown as <{below}."
    )
