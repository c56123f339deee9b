"""Exports of an invented group of clinics, with the truth that its tables should recover."""

from synthetic_data.making import make_exports

__all__ = ["make_exports"]
