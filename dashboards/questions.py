"""What selects ask on more pages than one."""

from dashboards import words
from dashboards.page import Question
from dashboards.source import Source


def rule_question(source: Source) -> Question:
    return Question(
        "rule", "Judged by", {rule["rule"]: words.RULES[rule["rule"]] for rule in source.rules}
    )
