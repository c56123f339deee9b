"""Made-up identifiers in the shapes of five countries, the same at every run.

Nobody's: names are put together from invented parts, mail addresses lie in domains kept for
examples (RFC 2606), phone numbers in ranges kept for fiction where there are any (from memory:
555-01xx in North America; 020 7946 0xxx, 01632 960xxx and 07700 900xxx in the United Kingdom;
030 23125 xxx and 0171 39200xx in Germany; 01 99 00 xx xx and 06 39 98 xx xx in France), and in
India begin with five noughts, as none does. Numbers are drawn at random; their check digits are
worked out by the package python-stdnum 2.2, not by this project.
"""

from collections.abc import Callable, Iterator
from random import Random

from stdnum import iban, luhn, verhoeff
from stdnum.fr import nir
from stdnum.gb import nhs
from stdnum.iso7064 import mod_11_10

GIVEN = ["Ida", "Émile", "Jörn", "Asha", "Mary-Lou", "Zelda", "Otto", "Ravi", "Noëlle", "Finn"]
SYLLABLES = ["in", "ven", "ta", "mo", "ru", "bel", "sko", "dra", "lün", "fe", "wick", "pra"]
STREETS = ["Invented", "Made Up", "Larch", "Old Fiction", "Fable"]


def surname(r: Random) -> str:
    return "".join(r.choice(SYLLABLES) for _ in range(3)).capitalize()


def digits(r: Random, count: int) -> str:
    return "".join(r.choice("0123456789") for _ in range(count))


def grouped(text: str, *sizes: int, mark: str = " ") -> str:
    parts, start = [], 0
    for size in sizes:
        parts.append(text[start : start + size])
        start += size
    return mark.join(parts)


def full_name(r: Random) -> str:
    return f"{r.choice(GIVEN)} {surname(r)}"


def day(r: Random) -> tuple[int, int, int]:
    return r.randint(1920, 1999), r.randint(1, 12), r.randint(1, 28)


def iso_day(r: Random) -> str:
    return "{}-{:02}-{:02}".format(*day(r))


def dotted_day(r: Random) -> str:
    return "{2:02}.{1:02}.{0}".format(*day(r))


def slashed_day(r: Random) -> str:
    return "{1}/{2}/{0}".format(*day(r))


def spoken_day(r: Random) -> str:
    year, month, number = day(r)
    return f"{number} {['Jan', 'March', 'Mai', 'juin', 'Oct', 'Dez'][month // 2 % 6]} {year}"


def visa(r: Random) -> str:
    body = r.choice(["4", "51", "55", "6011"]) + digits(r, 15)
    return body[:15] + luhn.calc_check_digit(body[:15])


def fifteen_digit_card(r: Random) -> str:
    body = r.choice(["34", "37"]) + digits(r, 12)
    return body + luhn.calc_check_digit(body)


def health_number(r: Random) -> str:
    while True:
        number = "999" + digits(r, 7)
        if nhs.is_valid(number):
            return number


def tax_number(r: Random) -> str:
    body = r.choice("123456789") + digits(r, 9)
    return body + mod_11_10.calc_check_digit(body)


def social_number(r: Random) -> str:
    place = r.choice(["75", "13", "2A", "2B", "99"])
    body = f"{r.choice('12')}{r.randint(20, 99)}{r.randint(1, 12):02}{place}{digits(r, 6)}"
    return body + nir.calc_check_digits(body)


def residents_number(r: Random) -> str:
    body = r.choice("23456789") + digits(r, 10)
    return body + verhoeff.calc_check_digit(body)


def insurance_number(r: Random) -> str:
    """With two letters that are never given out (from memory)."""
    prefix = r.choice(["BG", "GB", "NK", "KN", "TN", "NT", "ZZ"])
    return prefix + digits(r, 6) + r.choice("ABCD")


def account(r: Random, country: str) -> str:
    body = {"DE": lambda: digits(r, 18), "GB": lambda: "INVT" + digits(r, 14)}.get(
        country, lambda: digits(r, 11) + "AB" + digits(r, 10)
    )()
    return country + iban.calc_check_digits(f"{country}00{body}") + body


def in_fours(text: str) -> str:
    return " ".join(text[at : at + 4] for at in range(0, len(text), 4))


def security_number(r: Random) -> str:
    """Of an area that is never given out (from memory)."""
    return f"{r.choice(['000', '666'])}-{digits(r, 2)}-{digits(r, 4)}"


def postcode(r: Random) -> str:
    return f"{r.choice(['ZZ', 'Q', 'ZX'])}{r.randint(1, 19)} {r.randint(1, 9)}{r.choice('ABDE')}X"


def sentence(r: Random) -> str:
    words = ["comes", "back", "with", "dry", "eyes", "and", "says", "drops", "help", "little"]
    return " ".join(r.choice(words) for _ in range(r.randint(25, 60)))


Maker = Callable[[Random], str]

# shape as told -> what is made up -> how. One value alone is found in a column of notes.
EVIDENT: dict[str, dict[str, Maker]] = {
    "mail addresses": {
        "plain": lambda r: f"{r.choice(GIVEN)}.{surname(r)}@example.org".lower(),
        "in a text": lambda r: f"write to {surname(r)}{r.randint(1, 99)}@example.com please",
        "in brackets": lambda r: f"{full_name(r)} <{surname(r)}@mail.example.net>",
    },
    "phone numbers": {
        "US (202) 555-01xx": lambda r: f"({r.randint(201, 989)}) 555-01{digits(r, 2)}",
        "US 202-555-01xx": lambda r: f"{r.randint(201, 989)}-555-01{digits(r, 2)}",
        "US 202.555.01xx": lambda r: f"{r.randint(201, 989)}.555.01{digits(r, 2)}",
        "US 1-202-555-01xx": lambda r: f"1-{r.randint(201, 989)}-555-01{digits(r, 2)}",
        "US +1 202 555 01xx": lambda r: f"+1 {r.randint(201, 989)} 555 01{digits(r, 2)}",
        "US +1202555 01xx": lambda r: f"+1{r.randint(201, 989)}55501{digits(r, 2)}",
        "UK +44 20": lambda r: f"+44 20 7946 0{digits(r, 3)}",
        "UK +44 (0)": lambda r: f"+44 (0)7700 900{digits(r, 3)}",
        "UK (020)": lambda r: f"(020) 7946 0{digits(r, 3)}",
        "Germany +49": lambda r: f"+49 30 23125 {digits(r, 3)}",
        "Germany tel:": lambda r: f"Tel. +49 171 39200{digits(r, 2)}",
        "France +33": lambda r: f"+33 6 39 98 {digits(r, 2)} {digits(r, 2)}",
        "France +33 dots": lambda r: f"+33.639.98.{digits(r, 2)}.{digits(r, 2)}",
        "India +91": lambda r: f"+91 00000 {digits(r, 5)}",
        "India +91-": lambda r: f"+91-00000{digits(r, 5)}",
    },
    "national numbers": {
        "US 3-2-4": security_number,
        "UK 3 3 4": lambda r: grouped(health_number(r), 3, 3, 4),
        "UK 3-3-4": lambda r: grouped(health_number(r), 3, 3, 4, mark="-"),
        "UK in a text": lambda r: f"NHS {grouped(health_number(r), 3, 3, 4)} seen today",
        "Germany 2 3 3 3": lambda r: grouped(tax_number(r), 2, 3, 3, 3),
        "India 4 4 4": lambda r: grouped(residents_number(r), 4, 4, 4),
        "India 4-4-4": lambda r: grouped(residents_number(r), 4, 4, 4, mark="-"),
    },
    "insurance numbers": {
        "UK 2 2 2 2 1": lambda r: grouped(insurance_number(r), 2, 2, 2, 2, 1),
        "France in groups": lambda r: grouped(social_number(r), 1, 2, 2, 2, 3, 3, 2),
    },
    "card numbers": {
        "4 4 4 4": lambda r: in_fours(visa(r)),
        "4-4-4-4": lambda r: in_fours(visa(r)).replace(" ", "-"),
        "4 6 5": lambda r: grouped(fifteen_digit_card(r), 4, 6, 5),
        "in a text": lambda r: f"card {in_fours(visa(r))} until spring",
    },
    "account numbers": {
        country: lambda r, country=country: in_fours(account(r, country))
        for country in ("DE", "GB", "FR")
    },
    "names with birth dates": {
        "ISO": lambda r: f"{full_name(r)} {iso_day(r)}",
        "surname first": lambda r: f"{surname(r)}, {r.choice(GIVEN)} ({dotted_day(r)})",
        "German": lambda r: f"{full_name(r)}, geb. {dotted_day(r)}",
        "French": lambda r: f"{full_name(r)} né le {slashed_day(r)}",
        "US": lambda r: f"{full_name(r)} DOB: {slashed_day(r)}",
        "spoken": lambda r: f"{full_name(r)} born on {spoken_day(r)}",
        "upper case": lambda r: f"{full_name(r).upper()} {slashed_day(r)}",
        "two-digit year": lambda r: f"{full_name(r)}, {r.randint(1, 28)}.4.{r.randint(30, 99)}",
        "date first": lambda r: f"{iso_day(r)} {full_name(r)}",
    },
    "names of persons": {
        "with a title": lambda r: f"{r.choice(['Mrs', 'Dr.', 'Mr', 'Ms'])} {full_name(r)}",
        "German title": lambda r: f"{r.choice(['Frau', 'Herr', 'Frau Dr.'])} {surname(r)}",
        "French title": lambda r: f"{r.choice(['Mme', 'M.', 'Monsieur'])} {full_name(r)}",
        "Indian title": lambda r: f"{r.choice(['Shri', 'Smt.'])} {full_name(r)}",
    },
    "postal addresses": {
        "UK": lambda r: f"{r.randint(1, 200)} {r.choice(STREETS)} Road, Nowhere {postcode(r)}",
        "UK flat": lambda r: f"Flat 2, {r.randint(1, 99)}b {r.choice(STREETS)} Lane",
        "US": lambda r: f"{r.randint(1, 9999)} {r.choice(STREETS)} Ave, Nowhere, ZZ {digits(r, 5)}",
        "US upper case": lambda r: f"{r.randint(1, 999)} {r.choice(STREETS).upper()} STREET",
        "lower case": lambda r: f"{r.randint(1, 999)} {r.choice(STREETS).lower()} street",
        "Germany": lambda r: f"{surname(r)}straße {r.randint(1, 99)}, {digits(r, 5)} Nirgendwo",
        "Germany two words": lambda r: f"Lange Str. {r.randint(1, 99)}",
        "Germany way": lambda r: f"{surname(r)}weg {r.randint(1, 99)}a",
        "France": lambda r: f"{r.randint(1, 99)} rue de la {surname(r)}, {digits(r, 5)} Nulleville",
        "France bis": lambda r: f"{r.randint(1, 99)} bis, avenue {surname(r)}",
        "India": lambda r: f"{r.randint(1, 99)}, {surname(r)} Nagar, Nowhere {digits(r, 6)}",
        "a box": lambda r: f"P.O. Box {r.randint(1, 9999)}",
    },
    "text longer than 80 characters": {"sentences": sentence},
}
# As above, but other things may be written so among a clinic's own ids: not judged there.
EVIDENT_BUT_IN_IDS: dict[str, dict[str, Maker]] = {
    "phone numbers": {
        "UK 0044": lambda r: f"00447700900{digits(r, 3)}",
        "UK 020": lambda r: f"020 7946 0{digits(r, 3)}",
        "UK 01632": lambda r: f"01632 960{digits(r, 3)}",
        "UK 07700": lambda r: f"07700 900{digits(r, 3)}",
        "Germany /": lambda r: f"030/23125{digits(r, 3)}",
        "Germany mobile": lambda r: f"0171 39200{digits(r, 2)}",
        "France pairs": lambda r: f"01 99 00 {digits(r, 2)} {digits(r, 2)}",
        "France dots": lambda r: f"06.39.98.{digits(r, 2)}.{digits(r, 2)}",
        "US 202 555 01xx": lambda r: f"{r.randint(201, 989)} 555 01{digits(r, 2)}",
    },
}
# Found by what most values of a column look like.
BY_COLUMN: dict[str, dict[str, Maker]] = {
    "card numbers": {"sixteen digits": visa, "fifteen digits": fifteen_digit_card},
    "national numbers": {
        "UK ten digits": health_number,
        "Germany eleven digits": tax_number,
        "India twelve digits": residents_number,
    },
    "insurance numbers": {"France fifteen characters": social_number},
    "account numbers": {
        country: lambda r, country=country: account(r, country) for country in ("DE", "GB", "FR")
    },
    "names of persons": {
        "given first": full_name,
        "surname first": lambda r: f"{surname(r)}, {r.choice(GIVEN)}",
        "initial": lambda r: f"{r.choice(GIVEN)} {r.choice('ABDEFG')}. {surname(r)}",
        "only an initial": lambda r: f"{r.choice('ABDEFG')}. {surname(r)}",
        "particle": lambda r: f"{r.choice(GIVEN)} {r.choice(['von', 'de', 'van'])} {surname(r)}",
        "upper case": lambda r: full_name(r).upper(),
        "two surnames": lambda r: f"{full_name(r)} {surname(r)}",
    },
    "birth dates": {"ISO": iso_day, "dotted": dotted_day, "slashed": slashed_day},
}
BY_COLUMN_BUT_IN_IDS: dict[str, dict[str, Maker]] = {
    "postal addresses": {"UK postcode": postcode},
    "phone numbers": {
        "UK mobile in one": lambda r: f"07700900{digits(r, 3)}",
        "France mobile in one": lambda r: f"063998{digits(r, 4)}",
        "Germany mobile in one": lambda r: f"017139200{digits(r, 2)}",
    },
    "insurance numbers": {"UK in one": insurance_number},
}


def made_up(makers: dict[str, dict[str, Maker]]) -> Iterator[tuple[str, str, Maker]]:
    """Shape as told, what is made up, and how."""
    for shape, ways in makers.items():
        for way, make in ways.items():
            yield shape, way, make
