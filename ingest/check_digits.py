"""Check digits of numbers that name a person, a policy, a card or an account.

Each function takes a number without spaces or dashes and says whether it agrees with its own check
digits. The tests hold every one of them against the package python-stdnum 2.2.
"""

from itertools import count

NHS_WEIGHTS = range(10, 0, -1)
VERHOEFF_STEP = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)


def luhn(number: str) -> bool:
    """ISO/IEC 7812-1, as payment cards have it: every second digit from the right is doubled."""
    digits = [int(digit) for digit in reversed(number)]
    doubled = [sum(divmod(2 * digit, 10)) for digit in digits[1::2]]
    return (sum(digits[::2]) + sum(doubled)) % 10 == 0


def mod_11_10(number: str) -> bool:
    """ISO/IEC 7064 MOD 11,10, as Germany's tax number of a person has it."""
    check = 5
    for digit in number:
        check = (((check or 10) * 2) % 11 + int(digit)) % 10
    return check == 1


def weighted_mod_11(number: str) -> bool:
    """Ten digits weighted 10 to 1, as the United Kingdom's health service number has it."""
    return sum(w * int(d) for w, d in zip(NHS_WEIGHTS, number, strict=True)) % 11 == 0


def mod_97(number: str) -> bool:
    """Thirteen digits and 97 less their rest, as France's social insurance number has it.

    Corsica's departments 2A and 2B count as 19 and 18.
    """
    body = number[:5] + number[5:7].replace("2A", "19").replace("2B", "18") + number[7:13]
    return 97 - int(body) % 97 == int(number[13:])


def mod_97_10(number: str) -> bool:
    """ISO/IEC 7064 MOD 97-10, as ISO 13616 bank account numbers (IBAN) have it."""
    turned = number[4:] + number[:4]
    return int("".join(str(int(character, 36)) for character in turned)) % 97 == 1


def verhoeff(number: str) -> bool:
    """Verhoeff's check over the dihedral group of order ten, as India's number of residents."""
    check = 0
    for turns, digit in zip(count(), reversed(number), strict=False):
        moved = int(digit)
        for _ in range(turns % 8):
            moved = VERHOEFF_STEP[moved]
        check = _in_dihedral_group(check, moved)
    return check == 0


def _in_dihedral_group(left: int, right: int) -> int:
    """The product of two of the ten turns (0-4) and flips (5-9) of a pentagon."""
    if left < 5:
        return (left + right) % 5 + (5 if right >= 5 else 0)
    return (left - right) % 5 + (0 if right >= 5 else 5)
