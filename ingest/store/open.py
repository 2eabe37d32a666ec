"""A store's settings and its catalog: made, found, and matched to each other."""

from __future__ import annotations

import json
import os
import uuid
from pathlib import Path
from typing import Any, Final

from filelock import FileLock
from sqlalchemy import Engine, insert, select
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError

from ingest.access import Access, usual
from ingest.access import create as make_file
from ingest.errors import Fault, UnusableRun
from ingest.files import make_folder, write_whole
from ingest.setup.toml_text import parse_toml
from ingest.store.catalog import StoreRow, migrate, open_database

FORMAT: Final = 1
SETTINGS: Final = "store.toml"
DEFAULT_DATABASE: Final = "sqlite"
CATALOG: Final = "catalog.sqlite"


def open_catalog(folder: Path, database: str | None, *, create: bool) -> Engine:
    """The catalog of a store, with today's schema (see `ingest.store.store.Store.open`)."""
    return _open(folder, database, create=create, bare=False)


def restore_catalog(folder: Path, database: str | None) -> Engine:
    """The same for a store whose catalog may be lost: an empty one is then made.

    Only for who knows how to fill it (`ingest.store.rebuild`).
    """
    return _open(folder, database, create=False, bare=True)


def _open(folder: Path, database: str | None, *, create: bool, bare: bool) -> Engine:
    path = folder / SETTINGS
    if not path.is_file() and not create:
        raise UnusableRun(
            Fault(str(folder), "no run store", f"a folder with {SETTINGS}", "check the path")
        )
    access = Access.of(path) if path.is_file() else usual()
    for part in ("raw", "readings"):
        make_folder(folder / part, access)
    # one at a time: two processes may make the same store, or bring its schema up to date
    with FileLock(folder / ".lock", mode=access.files):
        if not path.is_file():
            _make(path, database or DEFAULT_DATABASE, access)
        told = _settings(path)
        url = database or told["database"]
        if url == DEFAULT_DATABASE:
            catalog = folder / CATALOG
            if not catalog.is_file() and not bare:
                _refuse_new(folder, f"no {CATALOG}")
                # SQLite gives what it lays beside the catalog the catalog's permissions
                os.close(make_file(catalog, os.O_WRONLY, access))
            url = f"sqlite:///{catalog.as_posix()}"
        engine = open_database(url)
        try:
            migrate(engine)
            _match(engine, told["id"], path, bare=bare)
        except DBAPIError as error:
            engine.dispose()
            raise UnusableRun(
                Fault(
                    str(path),
                    f"a database that does not answer ({_first_line(error)})",
                    "the store's database",
                    "check that it runs; its password comes from PGPASSWORD or --database",
                )
            ) from error
        except BaseException:
            engine.dispose()
            raise
    return engine


def holds_files(folder: Path) -> bool:
    """Whether any raw file lies in a store."""
    return any(path.is_file() for path in (folder / "raw").rglob("*"))


def lost_catalog(folder: Path, found: str, remedy: str) -> UnusableRun:
    """What is said where the catalog does not know the raw files that are there."""
    return UnusableRun(
        Fault(str(folder), f"raw files but {found}", "the catalog that lists their runs", remedy)
    )


def _refuse_new(folder: Path, found: str) -> None:
    """A catalog is made before the first file is: files without one mean that it was lost.

    With an empty one in its place every file would count as left over.
    """
    if holds_files(folder):
        remedy = f"make it again with `lukewarm store rebuild {folder}`"
        raise lost_catalog(folder, found, remedy)


def _make(path: Path, database: str, access: Access) -> None:
    """Write the settings of a new store; a password is not written down."""
    if database != DEFAULT_DATABASE:
        open_database(database).dispose()  # says what is wrong with the URL
        database = make_url(database)._replace(password=None).render_as_string()
    told = {"format": FORMAT, "id": str(uuid.uuid4()), "database": database}
    # a JSON string or number is a TOML one
    text = "".join(f"{key} = {json.dumps(value)}\n" for key, value in told.items())
    write_whole(path, lambda to: to.write_text(text, encoding="utf-8"), access)


def _settings(path: Path) -> dict[str, Any]:
    try:
        told = parse_toml(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError, UnusableRun) as error:
        raise UnusableRun(
            Fault(str(path), "no readable settings", "what lukewarm wrote", "restore the file")
        ) from error
    if told.get("format") != FORMAT:
        raise UnusableRun(
            Fault(
                str(path),
                f"format {told.get('format')}",
                f"format {FORMAT}",
                "use the version of lukewarm that made the store",
            )
        )
    for key in ("id", "database"):
        if not isinstance(told.get(key), str):
            raise UnusableRun(Fault(str(path), f"no {key}", "a text", "restore the file"))
    return told


def _match(engine: Engine, store_id: str, path: Path, *, bare: bool) -> None:
    """Make sure that a database serves one store: another's runs have no files here."""
    with engine.begin() as connection:
        found = connection.scalar(select(StoreRow.id))
        if found is None:
            if not bare:
                _refuse_new(path.parent, "a new and empty catalog")
            connection.execute(insert(StoreRow).values(id=store_id))
        elif found != store_id:
            raise UnusableRun(
                Fault(
                    str(path),
                    f"a database that belongs to the store {found}",
                    f"the database of {store_id}",
                    "give each store a database of its own",
                )
            )


def _first_line(error: DBAPIError) -> str:
    return (str(error.orig).splitlines() or [type(error).__name__])[0]
