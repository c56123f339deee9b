"""Re-keying against RFC 4231 and the standard library's own HMAC."""

import hmac
import string

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.keys import KEY_DIGITS, Rekeying, fingerprint

# RFC 4231, section 4: key, data, HMAC-SHA-256, of the cases whose key is a text in UTF-8.
RFC_4231 = {
    1: (
        b"\x0b" * 20,
        b"Hi There",
        "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
    ),
    2: (
        b"Jefe",
        b"what do ya want for nothing?",
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
    ),
    4: (
        bytes(range(1, 26)),
        b"\xcd" * 50,
        "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b",
    ),
}


@pytest.mark.parametrize("case", RFC_4231)
def test_codes_are_those_of_rfc_4231(case):
    secret, data, code = RFC_4231[case]
    messages = pl.DataFrame({"message": [data]})
    assert messages.select(Rekeying(secret).code(pl.col("message"))).item() == code


@given(st.text(min_size=1, max_size=200), st.lists(st.text(max_size=200), max_size=5))
def test_keys_equal_the_standard_librarys(secret, ids):
    key = secret.encode()
    expected = [
        hmac.digest(key, f"alder/patient/{id_}".encode(), "sha256").hex()[:KEY_DIGITS]
        for id_ in ids
    ]
    own = Rekeying(key).keys(pl.Series("id", ids, dtype=pl.String), "alder", "patient")
    assert own.to_list() == expected


def test_a_column_is_rekeyed_row_by_row_and_empty_stays_empty():
    keys = Rekeying(b"secret").keys(pl.Series(["a", None, "b", "a"]), "alder", "patient")
    expected = {
        id_: hmac.digest(b"secret", f"alder/patient/{id_}".encode(), "sha256").hex()[:KEY_DIGITS]
        for id_ in ("a", "b")
    }
    assert keys.to_list() == [expected["a"], None, expected["b"], expected["a"]]


def test_a_column_of_nothing_gives_a_column_of_nothing():
    ids = pl.Series([None, None], dtype=pl.String)
    keys = Rekeying(b"secret").keys(ids, "alder", "patient")
    assert keys.to_list() == [None, None]
    assert keys.dtype == pl.String


@pytest.mark.parametrize(
    ("site", "entity", "secret"),
    [
        ("birch", "patient", b"secret"),
        ("alder", "visit", b"secret"),
        ("alder", "patient", b"other"),
    ],
)
def test_another_site_entity_or_secret_gives_another_key(site, entity, secret):
    ids = pl.Series(["17"])
    own = Rekeying(b"secret").keys(ids, "alder", "patient")
    assert Rekeying(secret).keys(ids, site, entity)[0] != own[0]


def test_keys_are_32_hex_digits():
    key = Rekeying(b"secret").keys(pl.Series(["17"]), "alder", "patient")[0]
    assert len(key) == 32
    assert set(key) <= set(string.hexdigits.lower())


def test_a_fingerprint_tells_secrets_apart_and_holds_none():
    assert fingerprint(b"one secret") == fingerprint(b"one secret")
    assert fingerprint(b"one secret") != fingerprint(b"another secret")
    assert b"one secret".hex() not in fingerprint(b"one secret")
