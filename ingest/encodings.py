"""The encoding of a text, which must be declared or unmistakable, and its bytes as UTF-8."""

import codecs
from typing import Protocol

from ingest.mapping import ENCODINGS, Form
from ingest.raw import UnusableFileError

MARKS = {  # byte order marks, each with what it shows
    codecs.BOM_UTF8: "utf-8",
    codecs.BOM_UTF16_LE: "utf-16-le",
    codecs.BOM_UTF16_BE: "utf-16-be",
}
BOM_BYTES = 4


class Bytes(Protocol):
    """Whatever hands over bytes, none at its end."""

    def read(self, size: int, /) -> bytes: ...


def encoding_of(start: bytes, form: Form, where: str) -> str:
    """The encoding that a text's first bytes show or the mapping says; else UTF-8.

    Raises:
        UnusableFileError: the two contradict each other, or UTF-16 does not tell its byte order.
    """
    shown = next((name for mark, name in MARKS.items() if start.startswith(mark)), None)
    said = form.encoding
    if shown is None and said == "utf-16":
        raise UnusableFileError(
            "Its bytes do not begin with a byte order mark; say utf-16-le or utf-16-be as its "
            f"encoding in {where}."
        )
    if shown is None or said is None or said == shown or shown.startswith(said):
        return shown or said or "utf-8"
    raise UnusableFileError(
        f'It begins as {ENCODINGS[shown]} does, but {where} says encoding = "{said}"; correct '
        "one of the two."
    )


class Transcoded:
    """A stream of text in another encoding, as UTF-8."""

    def __init__(self, source: Bytes, encoding: str, where: str) -> None:
        self._source = source
        self._encoding = encoding
        self._where = where
        self._decoder = codecs.getincrementaldecoder(encoding)()
        self._line = 1
        self._has_letters = False  # beyond ASCII

    def read(self, size: int, /) -> bytes:
        """About `size` bytes of UTF-8; none at the end.

        Raises:
            UnusableFileError: a line that is not in this encoding, or a text that is in UTF-8.
        """
        while True:
            chunk = self._source.read(size)
            if self._encoding == "windows-1252" and chunk.isascii():
                self._line += chunk.count(b"\n")
                return chunk
            self._refuse_utf8(chunk)
            text = self._decoded(chunk)
            if text or not chunk:
                self._line += text.count("\n")
                return text.encode("utf-8")

    def _decoded(self, chunk: bytes) -> str:
        try:
            return self._decoder.decode(chunk, final=not chunk)
        except UnicodeDecodeError as error:
            before = error.object[: error.start].decode(self._encoding, errors="ignore")
            line = self._line + before.count("\n")
        raise UnusableFileError(
            f"Line {line} is not {ENCODINGS[self._encoding]}; correct encoding in {self._where}."
        )

    def _refuse_utf8(self, chunk: bytes) -> None:
        """Letters beyond ASCII that make sense as UTF-8 are not Windows-1252, which takes any."""
        if self._has_letters or self._encoding != "windows-1252":
            return
        self._has_letters = True
        try:
            codecs.getincrementaldecoder("utf-8")().decode(chunk)
        except UnicodeDecodeError:
            return
        raise UnusableFileError(
            f'It seems to be UTF-8, but {self._where} says encoding = "windows-1252"; correct it.'
        )
