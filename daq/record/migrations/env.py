"""Runs the migrations in one transaction, on SQLite too, so that an interrupted one leaves the old tables whole."""

from alembic import context
from sqlalchemy import Connection, create_engine, text

from daq.record.engine import for_writing, own_transactions
from daq.record.models import Base


def _check_foreign_keys(connection: Connection) -> None:
    """Foreign keys are off while SQLite rebuilds tables, for enforcing them would delete rows; so ask afterwards."""
    if connection.dialect.name == "sqlite" and (broken := connection.execute(text("PRAGMA foreign_key_check")).first()):
        raise RuntimeError(f"after the migration a row of table {broken[0]} points nowhere (to {broken[2]})")


def _run() -> None:
    engine = create_engine(context.config.get_main_option("sqlalchemy.url") or "")
    if engine.dialect.name == "sqlite":
        own_transactions(engine)
    with for_writing(engine).connect() as connection:
        context.configure(connection, target_metadata=Base.metadata, render_as_batch=True, transactional_ddl=True)
        with context.begin_transaction():
            context.run_migrations()
            _check_foreign_keys(connection)
    engine.dispose()


_run()
