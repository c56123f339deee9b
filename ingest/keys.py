"""Re-keying: a clinic's own ids become keys that only the group's secret can give again."""

import hmac

import polars as pl
from polars_hash import CryptographicHashingNameSpace as Hashing

KEY_DIGITS = 32  # 128 bits of the code, in hex


class Rekeying:
    """HMAC-SHA-256 (RFC 2104) of many ids under one secret, which is a text in UTF-8."""

    def __init__(self, secret: bytes) -> None:
        self._secret = secret.decode()

    def code(self, message: pl.Expr) -> pl.Expr:
        """The full authentication code of a text or bytes, 64 hex digits; empty stays empty."""
        return Hashing(message).hmac_sha256(key=self._secret)

    def key(self, name: str, site: str, entity: str) -> pl.Expr:
        """The key, 32 hex digits, of an id in a column (text; empty stays empty).

        Neither a site's code nor an entity's name holds a slash, so no two (site, entity, id)
        give the same message.
        """
        message = pl.format(f"{site}/{entity}/{{}}", pl.col(name))
        return self.code(message).str.head(KEY_DIGITS).alias(name)

    def keys(self, ids: pl.Series, site: str, entity: str) -> pl.Series:
        """The keys of a column of ids."""
        return ids.to_frame().select(self.key(ids.name, site, entity)).to_series()


def fingerprint(secret: bytes) -> str:
    """Sixteen hex digits that tell one secret from another and give neither away."""
    return hmac.digest(secret, b"fingerprint of the group's key", "sha256").hex()[:16]
