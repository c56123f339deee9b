"""How hard a text is to read: the Flesch-Kincaid grade level (Kincaid et al. 1975, US Navy).

0.39 x words per sentence + 11.8 x syllables per word - 15.59, in school years of the United States:
a reader of 12 is in the sixth or seventh. Syllables are told by groups of vowels, without a silent
e at the end; a number counts as one word of two syllables (`fifty`), whatever its digits.
"""

import re

VOWELS = re.compile("[aeiouy]+")
SILENT = re.compile("(?<![aeiouyl])e(?:s|d)?$|(?<=[aeiouy]l)e(?:s|d)?$")
SOUNDED_AFTER = re.compile("(?:[td]ed|(?:[sxz]|ch|sh|[cg])es)$")
WORD = re.compile("[A-Za-z']+|[0-9]+")
SENTENCE_END = re.compile(r"[.?!](?:\s|$)|\n")


def sentences(text: str) -> list[list[str]]:
    """Words by sentence; a heading or a line of a list is one too."""
    found = (WORD.findall(part) for part in SENTENCE_END.split(text))
    return [words for words in found if words]


def syllables(word: str) -> int:
    word = word.lower().replace("'", "")
    if word.isdigit():
        return 2
    ends = word if SOUNDED_AFTER.search(word) else SILENT.sub("", word)
    return max(1, len(VOWELS.findall(ends)))


def grade_level(text: str) -> float:
    by_sentence = sentences(text)
    words = [word for sentence in by_sentence for word in sentence]
    return (
        0.39 * len(words) / len(by_sentence)
        + 11.8 * sum(map(syllables, words)) / len(words)
        - 15.59
    )
