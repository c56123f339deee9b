"""What a manifest says of a release's content, and of itself, so that any changed byte shows.

Digests are SHA-256. They prove a release against damage and mistakes, not against somebody who may
write in it and makes a new manifest too.
"""

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import duckdb

FINISHED_AT = "finished_at"
FILES, TABLES, WAREHOUSE, DIGEST = "files", "tables", "warehouse", "digest"
WAREHOUSE_FILE = "warehouse.duckdb"
MANIFEST_FILE = "manifest.json"
CHUNK_BYTES = 1 << 20


def contents(root: Path) -> dict[str, Any]:
    """Digests of every file of a release, and of each built table's rows.

    The warehouse's file stands apart: equal rows give other bytes in each run. Equal runs so agree
    in all of a manifest but `finished_at`, `warehouse` and the manifest's own digest.
    """
    return {
        FILES: {
            name: file_digest(root / name)
            for name in files_in(root)
            if name not in (WAREHOUSE_FILE, MANIFEST_FILE)
        },
        TABLES: table_digests(root / WAREHOUSE_FILE),
        WAREHOUSE: file_digest(root / WAREHOUSE_FILE),
    }


def files_in(root: Path) -> list[str]:
    """Whatever lies in a release and is no folder, or an empty one, by its path in it."""
    return sorted(
        path.relative_to(root).as_posix()
        for path in root.rglob("*")
        if path.is_symlink() or not path.is_dir() or not any(path.iterdir())
    )


def file_digest(path: Path) -> str:
    """Of a file's bytes."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def table_digests(warehouse: Path) -> dict[str, str]:
    """Of each table of a warehouse, by `schema.table`: its definition and its rows in any order.

    Raises:
        duckdb.Error: the file is damaged.
    """
    with duckdb.connect(str(warehouse), read_only=True) as connection:
        connection.execute("set timezone = 'UTC'")
        tables = connection.sql(
            "select schema_name || '.' || table_name, sql from duckdb_tables() "
            "where not internal order by all"
        ).fetchall()
        return {table: _table_digest(connection, table, sql) for table, sql in tables}


def sealed(manifest: Mapping[str, Any]) -> str:
    """A manifest's text, with a digest of all the rest of it."""
    return _text({**manifest, DIGEST: hashlib.sha256(_text(manifest).encode()).hexdigest()})


def is_sealed(text: str, manifest: Mapping[str, Any]) -> bool:
    """Whether a manifest's text is as `sealed` made it, to the byte."""
    return text == sealed({name: part for name, part in manifest.items() if name != DIGEST})


def _table_digest(connection: duckdb.DuckDBPyConnection, table: str, sql: str) -> str:
    """The sums of the rows' MD5, in two halves: they do not depend on the rows' order."""
    [sums] = connection.sql(
        "select count(*), sum(md5_number_lower(row::varchar)), sum(md5_number_upper(row::varchar)) "
        f"from {table} as row"
    ).fetchall()
    return hashlib.sha256(json.dumps([sql, *map(str, sums)]).encode()).hexdigest()


def _text(manifest: Mapping[str, Any]) -> str:
    return json.dumps(manifest, indent=2) + "\n"
