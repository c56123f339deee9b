"""The script of pandas and lifelines, with the seconds of its parts: `python -m ... WORKSPACE`.

Writes its tables into the workspace as Parquet, and prints how long it read and worked them out.
"""

import json
import sys
import time
from pathlib import Path
from typing import Any

from tests.benchmarks import card_tables


def timed_parts(root: Path) -> dict[str, float]:
    """Make the tables; seconds of reading exports (`ingest`) and of everything else (`build`)."""
    began, reading = time.monotonic(), 0.0
    read_kind = card_tables.read_kind

    def timed_read(*arguments: Any) -> Any:
        nonlocal reading
        since = time.monotonic()
        try:
            return read_kind(*arguments)
        finally:
            reading += time.monotonic() - since

    card_tables.read_kind = timed_read
    for name, table in card_tables.card_tables(root).items():
        table.to_parquet(root / f"{name}.parquet")
    return {"ingest": reading, "build": time.monotonic() - began - reading}


if __name__ == "__main__":
    print(json.dumps(timed_parts(Path(sys.argv[1]))))
