"""Runs the migrations in one transaction, on SQLite too, so that an interrupted one leaves the old tables whole."""

from alembic import context
from sqlalchemy import Connection, Engine, func, inspect, select, table, text

from daq.record.engine import connect_to_migrate, for_writing
from daq.record.models import Base


def _check_foreign_keys(connection: Connection) -> None:
    """Foreign keys are off while SQLite rebuilds tables, for enforcing them would delete rows; so ask afterwards."""
    if connection.dialect.name == "sqlite" and (broken := connection.execute(text("PRAGMA foreign_key_check")).first()):
        raise RuntimeError(f"after the migration a row of table {broken[0]} points nowhere (to {broken[2]})")


def _counts(connection: Connection) -> dict[str, int]:
    names = [name for name in inspect(connection).get_table_names() if name != "alembic_version"]
    return {name: connection.scalar(select(func.count()).select_from(table(name))) or 0 for name in names}


def _check_counts(before: dict[str, int], after: dict[str, int]) -> None:
    """No migration of ours drops rows; one that did would have to say so here."""
    for name, rows in before.items():
        if name in after and after[name] != rows:
            raise RuntimeError(f"the migration would leave {after[name]} of {rows} rows in table {name}")


def _run(engine: Engine) -> None:
    with for_writing(engine).connect() as connection:
        context.configure(connection, target_metadata=Base.metadata, render_as_batch=True, transactional_ddl=True)
        with context.begin_transaction():
            before = _counts(connection)
            context.run_migrations()
            _check_foreign_keys(connection)
            _check_counts(before, _counts(connection))


_engine = connect_to_migrate(context.config.get_main_option("sqlalchemy.url") or "")
try:
    _run(_engine)
finally:
    _engine.dispose()
