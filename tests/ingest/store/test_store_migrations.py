"""A new catalog gets the schema of the code, one of a later schema is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.operations import Operations
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, inspect, text

import ingest.store.catalog as catalog
from ingest.errors import UnusableRun
from ingest.store.catalog import HEAD, Base, migrate, open_database, schema_version
from ingest.store.many import outdated
from ingest.store.read import figures, made_with, runs
from ingest.store.store import Store
from tests.support.stored.stores import TODAY, versions_for

pytest_plugins = ("tests.support.stored.store_fixtures",)

FIRST = [
    "INSERT INTO runs VALUES ('ab12', 'SC-001-baseline', 'SC-001', 'Plover', 'blend-air',"
    " 'baseline', NULL, NULL, NULL, '2026-01-05 12:06:00', 1500.0, -7.2, 3000, 'cd34',"
    " '2026-02-01 10:00:00')",
    "INSERT INTO files VALUES ('ab12', 'log.csv', 'ef56', 1000)",
    "INSERT INTO results (run_id, code_version, definitions_version, limits_version, verdict,"
    " first_cause, first_probability, document, computed) VALUES ('ab12', '1.0', '1', 'default-1',"
    " 'pass', 'healthy', 0.8, '{\"schema\": 1, \"verdict\": \"pass\"}', '2026-02-01 10:00:00')",
    "INSERT INTO figures (run_id, figure, value, u, unit, verdict, low, high, place)"
    " VALUES ('ab12', 'steady_outlet_rise', 66.3, 0.6, 'K', 'pass', 35.0, NULL, 0)",
]
"""What a program that knows nothing of random parts and kept evidence writes for one run."""


def config_for(engine: Engine) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(catalog.__file__).parent / "migrations"))
    return config


@pytest.fixture
def url(tmp_path: Path, database: str | None) -> str:
    return database or f"sqlite:///{(tmp_path / 'catalog.sqlite').as_posix()}"


def test_the_newest_version_is_known(tmp_path: Path) -> None:
    engine = open_database(f"sqlite:///{(tmp_path / 'c.sqlite').as_posix()}")
    assert ScriptDirectory.from_config(config_for(engine)).get_current_head() == HEAD
    engine.dispose()


def test_a_result_without_what_newer_ones_keep_is_out_of_date(tmp_path: Path, url: str) -> None:
    engine = open_database(url)
    migrate(engine)
    with engine.begin() as connection:
        for statement in FIRST:
            connection.execute(text(statement.replace(":", r"\:")))
        connection.execute(text("INSERT INTO store VALUES ('x')"))
    engine.dispose()
    (tmp_path / "store.toml").write_text('format = 1\nid = "x"\ndatabase = "sqlite"\n')
    store = Store.open(tmp_path, url)
    row = runs(store).row(0, named=True)
    assert (row["vehicle"], row["verdict"], row["duration_s"]) == ("SC-001", "pass", 1500.0)
    assert figures(store).row(0, named=True)["value"] == 66.3
    assert figures(store)["random"].to_list() == [None]
    assert store.document("ab12") == {"schema": 1, "verdict": "pass"}
    assert made_with(store)[0].versions is None
    assert outdated(store, versions_for) == ["ab12"]
    assert versions_for(None, "") == TODAY
    store.close()


def test_migrated_schema_is_the_one_of_the_code(url: str) -> None:
    engine = open_database(url)
    migrate(engine)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
    engine.dispose()


def test_and_back_again(url: str) -> None:
    engine = open_database(url)
    migrate(engine)
    config = config_for(engine)
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
    assert inspect(engine).get_table_names() == ["alembic_version"]
    assert schema_version(engine) is None
    migrate(engine)
    assert schema_version(engine) == HEAD
    engine.dispose()


def test_a_later_schema_is_refused(url: str) -> None:
    engine = open_database(url)
    migrate(engine)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(UnusableRun, match="schema 9999"):
        migrate(engine)
    engine.dispose()


def test_a_migration_that_fails_leaves_nothing_behind(
    url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = open_database(url)
    whole = Operations.create_table

    def until_results(self: Operations, name: str, *args: object, **options: object) -> object:
        if name == "results":  # the last table of all
            msg = "power cut"
            raise RuntimeError(msg)
        return whole(self, name, *args, **options)

    with monkeypatch.context() as patch:
        patch.setattr(Operations, "create_table", until_results)
        with pytest.raises(RuntimeError, match="power cut"):
            migrate(engine)
    assert inspect(engine).get_table_names() == []
    migrate(engine)
    assert schema_version(engine) == HEAD
    engine.dispose()
