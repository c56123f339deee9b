"""Reads clinics' exports, checks every row, and keeps accepted and refused ones apart."""

from ingest.report import IngestReport
from ingest.stage import ingest
from ingest.units import Unit

__all__ = ["IngestReport", "Unit", "ingest"]
