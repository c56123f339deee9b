"""What identifiers look like: words in a column's name, and shapes of values.

The shapes are those of the United Kingdom, Germany, France, India and the United States. Regular
expressions are those of polars, which knows no look-around.
"""

from collections.abc import Callable
from dataclasses import dataclass

from ingest.check_digits import luhn, mod_11_10, mod_97, mod_97_10, verhoeff, weighted_mod_11

NAME_WORDS = {
    "a name": {
        "name", "firstname", "lastname", "surname", "forename", "fullname", "initials",
        "givenname", "familyname", "patientname", "vorname", "nachname", "nom", "prenom",
    },
    "a birth date": {
        "dob", "birth", "birthdate", "dateofbirth", "birthday", "born", "geburtsdatum", "geboren",
        "geburtstag", "naissance",
    },
    "a phone number": {
        "phone", "telephone", "tel", "mobile", "cell", "fax", "telefon", "handy", "portable",
    },
    "a mail address": {"email", "mail", "courriel"},
    "an address": {
        "address", "street", "postcode", "postal", "zip", "zipcode", "city", "town", "pincode",
        "adresse", "anschrift", "strasse", "straße", "plz", "rue",
    },
    "a record number": {
        "mrn", "record", "chart", "ssn", "passport", "licence", "license", "nhs", "aadhaar", "nir",
        "ausweis",
    },
    "an insurance number": {
        "insurance", "policy", "insurer", "subscriber", "member", "nino", "krankenkasse",
        "versichertennummer", "assurance",
    },
    "a card or account number": {"card", "creditcard", "cardnumber", "iban"},
}  # fmt: skip
NAMED_THINGS = {
    "brand", "clinic", "device", "drug", "file", "lens", "measure", "product", "protocol", "site",
    "test",
}  # fmt: skip  # what may have a name and is no person

# One value is enough, wherever it stands.
_DIALLED = r"\+\d{1,3}[ (/-][\d ()./-]{6,}\d|\+\d{10,15}|\+\d{1,3}(?:\.\d{2,5}){2,}"
_NORTH_AMERICA = r"(?:1[ .-])?(?:\(\d{3}\) ?|\d{3}[.-])\d{3}[ .-]\d{4}"
_WITH_AREA_IN_BRACKETS = r"\(0?\d{2,4}\) ?\d[\d -]{4,}\d"
_LABEL = r"(?i:(?:phone|telephone|tel|mobile|mob|fax|telefon|handy)[.:]* ?)?"
_BIRTH_YEAR = r"19\d{2}"
_YEAR_IN_SHORT = r"(?:2[7-9]|[3-9]\d)\b"
_BIRTH_DAY = (
    rf"(?:{_BIRTH_YEAR}[-/.]\d{{1,2}}[-/.]\d{{1,2}}"
    rf"|\d{{1,2}}[-/.]\d{{1,2}}[-/.](?:{_BIRTH_YEAR}|{_YEAR_IN_SHORT})"
    rf"|\d{{1,2}}[-/. ]{{1,2}}\p{{L}}{{3,9}}[-/. ]{{1,2}}{_BIRTH_YEAR})"
)
_WORD = r"\p{Lu}[\p{L}'\x{2019}-]+"
_TITLE = r"(?:Mrs?|Ms|Miss|Dr|Prof|Herrn?|Frau|M|Mme|Mlle|Monsieur|Madame|Shri|Smt)\.?"
_STREET = (
    r"(?:Street|St|Road|Rd|Avenue|Ave|Lane|Ln|Drive|Dr|Close|Crescent|Boulevard|Blvd|Court|Ct|Way"
    r"|Square|Terrace|Gardens|Place|Nagar|Marg|STREET|ROAD|AVENUE|LANE|DRIVE|NAGAR)\b"
)
EVIDENT = {
    "mail addresses": r"[^\s@]@[^\s@]+\.\p{L}{2,}",
    "phone numbers": rf"^{_LABEL}(?:{_DIALLED}|{_NORTH_AMERICA}|{_WITH_AREA_IN_BRACKETS})$",
    "national numbers": r"^\d{3}-\d{2}-\d{4}$",
    "names with birth dates": (
        rf"\p{{L}}{{2,}}[,;]?[ ,;(*]+(?:(?i:dob|born|geb|geboren|née?|le|am|on)[.: ]*)*"
        rf"{_BIRTH_DAY}|{_BIRTH_DAY}[,; )]+{_WORD}[, ]+{_WORD}"
    ),
    "names of persons": rf"^(?:{_TITLE} )+(?:\p{{Lu}}\. ?)*(?:(?:van|von|de|du) )*{_WORD}(?: |,|$)",
    "postal addresses": "|".join(
        [
            rf"\b\d+[A-Za-z]?,? (?:{_WORD} ){{1,3}}{_STREET}",
            r"(?i:\b\d+[a-z]?,? (?:[\p{L}'\x{2019}-]+ ){1,3}(?:street|road|avenue|marg|nagar)\b)",
            r"(?i:[\p{L}-]{2,}[ -]?(?:straße|strasse|str\.|weg|gasse|platz|allee)"
            r" \d{1,4} ?[a-z]?\b)",
            r"(?i:\b\d+(?: bis| ter)?,? (?:rue|avenue|boulevard|bd|allée|chemin|impasse|place|quai)"
            r" (?:de|du|des|d'|la|le|les|[\p{L}]{3,})\b)",
            r"(?i:\b(?:p\.? ?o\.? box|postfach|boîte postale) \d+)",
        ]
    ),
}
# One value is enough but among a clinic's own ids, which may be written like these.
EVIDENT_BUT_IN_IDS = {
    "phone numbers": (
        rf"^{_LABEL}(?:00(?:33|44|49|91)\d{{9,11}}|0[1-9]\d{{1,3}}[ /-]\d{{3,4}}[ -]?\d{{3,4}}"
        r"|0[1-9]\d{2,3}[ /-]\d{6,8}"
        r"|0[1-9](?:[ .-]\d{2}){4}"
        r"|[2-9]\d{2} [2-9]\d{2} \d{4})$"
    ),
    "insurance numbers": r"\b[A-Z]{2} \d{2} \d{2} \d{2} [A-D]\b",
}

# Shapes that other things have too: most values of a column must have one.
PERSON = (
    rf"^(?:{_WORD}|\p{{Lu}}\.),? (?:\p{{Lu}}\.? )*(?:(?:van|von|de|du|der|den|la) )*{_WORD}"
    rf"(?: {_WORD})?$|^{_WORD}, ?{_WORD}(?: \p{{Lu}}\.?)?$"
)
NO_PERSON = (
    r"(?i)\b(?:after|before|both|care|chair|drops?|early|eyes?|first|follow|from|heat|home|late|left"
    r"|lids?|lower|mask|mild|moderate|morning|new|no|none|normal|not|old|right|room|second|session"
    r"|severe|stage|third|treatment|up|upper|visit|warm|week|yes)\b"
)
POSTCODE = r"^[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}$"
DIALLED_AT_HOME = r"^(?:07\d{9}|0[67]\d{8}|01[567]\d{8,9})$"  # mobile numbers without a space
INSURANCE_NUMBER = r"^[A-Z]{2}\d{6}[A-D]$"  # the United Kingdom's has no check digit
DAY = r"^(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})(?:[ T].*)?$"
BIRTH_DAY = rf"^{_BIRTH_YEAR}[-/.]|[-/.]{_BIRTH_YEAR}(?:$|[ T])"


@dataclass(frozen=True)
class CheckedNumber:
    """A number that carries check digits: as one run of characters, as printed in groups, and
    whether its digits agree."""

    shape: str
    run: str
    grouped: str
    agrees: Callable[[str], bool]

    @property
    def pattern(self) -> str:
        return f"^{self.run}$|{self.grouped}"


_NIR_MONTH, _NIR_PLACE = r"(?:0[1-9]|1[0-2]|[2-9]\d)", r"(?:\d{2}|2[AB])"
CHECKED_NUMBERS = (
    CheckedNumber(
        "card numbers",
        r"(?:4\d{12}(?:\d{3})?|5[1-5]\d{14}|2[2-7]\d{14}|3[47]\d{13}|6\d{15})",
        r"\b(?:[2-6]\d{3}[ -]\d{4}[ -]\d{4}[ -]\d{4}|3[47]\d{2}[ -]\d{6}[ -]\d{5})\b",
        luhn,
    ),
    CheckedNumber("national numbers", r"\d{10}", r"\b\d{3}[ -]\d{3}[ -]\d{4}\b", weighted_mod_11),
    CheckedNumber("national numbers", r"[1-9]\d{10}", r"\b[1-9]\d \d{3} \d{3} \d{3}\b", mod_11_10),
    CheckedNumber(
        "national numbers", r"[2-9]\d{11}", r"\b[2-9]\d{3}[ -]\d{4}[ -]\d{4}\b", verhoeff
    ),
    CheckedNumber(
        "insurance numbers",
        rf"[12]\d{{2}}{_NIR_MONTH}{_NIR_PLACE}\d{{8}}",
        rf"\b[12] \d{{2}} {_NIR_MONTH} {_NIR_PLACE} \d{{3}} \d{{3}} \d{{2}}\b",
        mod_97,
    ),
    CheckedNumber(
        "account numbers",
        r"[A-Z]{2}\d{2}[A-Z0-9]{11,30}",
        r"\b[A-Z]{2}\d{2}(?: [A-Z0-9]{4}){2,7}(?: [A-Z0-9]{1,3})?\b",
        mod_97_10,
    ),
)

# Every shape above has one of these; a contract's day, number or code has none.
SUSPECT = (
    r"[ @,(]|^\+|(?:^|[^.\d])\d{9}|[\d/-]{11}|\d\.\d{2,5}\.\d{2}"
    r"|^\d{5}2[AB]\d|^[A-Z]{2}\d{6}[A-D]$|^[A-Z]{2}\d{2}[A-Z0-9]{11}"
)
