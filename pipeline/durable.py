"""The steps that change what lies on the disk for good, each under a name.

A run may die before any of them, and tests have it die before each: see tests/crashes.
"""

from collections.abc import Callable
from enum import StrEnum


class Step(StrEnum):
    """Every such step of every command that writes in a workspace, named for what it does."""

    KEY = "key"
    SETTINGS = "settings"
    MAPPING = "mapping"
    DEFINITION = "definition"
    LOCK = "lock"
    RECORD = "record"
    LEFTOVER = "leftover"
    QUARANTINE = "quarantine"
    ACCEPTED = "accepted"
    WITHDRAWN = "withdrawn"
    FORGOTTEN = "forgotten"
    ERASED_RECORD = "erased_record"
    EMPTIED_STORE = "emptied_store"
    CANDIDATE = "candidate"
    LINK = "link"
    INPUTS = "inputs"
    ARRIVAL_GATE = "arrival_gate"
    BUILD = "build"
    MODEL = "model"
    MODELS_PAGE = "models_page"
    BUILT_GATE = "built_gate"
    CATALOG = "catalog"
    TABLES = "tables"
    PAGES = "pages"
    SYNC = "sync"
    MANIFEST = "manifest"
    FAILURE = "failure"
    ROLLED_BACK = "rolled_back"
    SWITCH = "switch"
    UNPUBLISH = "unpublish"
    PRUNE = "prune"
    RETIRE = "retire"
    SHORTENED_RECORD = "shortened_record"
    REKEYED_LIST = "rekeyed_list"
    REKEYED_RELEASE = "rekeyed_release"
    SWEEP = "sweep"
    DISCARD = "discard"
    ERASED_RELEASE = "erased_release"
    FILE = "file"


def _goes_on(_: Step) -> None:
    pass


before_each: Callable[[Step], None] = _goes_on  # tests put in its place what ends the run


def durable_step(step: Step) -> None:
    """Say that a step comes next; in use this does nothing."""
    before_each(step)
