"""Empty stores on SQLite and on PostgreSQL."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from ingest.store.store import Store

SERVER = os.environ.get("LUKEWARM_TEST_POSTGRES")

# On the test server's run PostgreSQL is part of the bar: without it the fixture fails there.
DATABASES = ["sqlite"]
if SERVER or os.environ.get("CI"):
    DATABASES.append(pytest.param("postgres", marks=pytest.mark.postgres))


@pytest.fixture(params=DATABASES)
def database(request: pytest.FixtureRequest) -> Iterator[str | None]:
    """URL of an empty database; None for the store's own SQLite file."""
    if request.param == "sqlite":
        yield None
        return
    if not SERVER:
        pytest.fail("LUKEWARM_TEST_POSTGRES must hold the URL of a PostgreSQL server")
    name = f"lukewarm_{uuid.uuid4().hex}"
    server = create_engine(SERVER, isolation_level="AUTOCOMMIT")
    with server.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    try:
        yield make_url(SERVER).set(database=name).render_as_string(hide_password=False)
    finally:
        with server.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
        server.dispose()


@pytest.fixture
def store(tmp_path: Path, database: str | None) -> Iterator[Store]:
    """An empty store."""
    opened = Store.open(tmp_path / "store", database)
    yield opened
    opened.close()
