"""Brings a database's tables to a revision: `python -m daq.record.migrate URL [REVISION]`; `-` reads the URL from
standard input, and without a revision it is the newest.

Runs in a process of its own and ends; nothing else imports it.
"""

import sys
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.util import CommandError
from sqlalchemy.exc import SQLAlchemyError

from daq.record.engine import connect_to_migrate, shown
from daq.record.errors import RecordError
from daq.record.explain import explain
from daq.record.schema import HEAD, REVISIONS, revision

SCRIPTS = Path(__file__).with_name("migrations")


def config(url: str) -> Config:
    """Alembic's settings for a database; there is no file beside the package."""
    made = Config()
    made.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    made.set_main_option("sqlalchemy.url", url.replace("%", "%%"))
    return made


def move(url: str, to: str) -> None:
    """Upwards or downwards, whichever it takes.

    Raises:
        RecordError: the database cannot be used, or a migration refuses.
    """
    engine = connect_to_migrate(url)
    try:
        found = revision(engine)
        engine.dispose()
        down = found in REVISIONS and to in REVISIONS and REVISIONS.index(found) > REVISIONS.index(to)
        (command.downgrade if down else command.upgrade)(config(url), to)
    except SQLAlchemyError as error:
        raise explain(shown(engine), error) from error
    except (CommandError, RuntimeError) as error:
        raise RecordError(str(error)) from error
    finally:
        engine.dispose()


def main() -> None:
    if len(sys.argv) not in (2, 3):
        sys.exit("usage: python -m daq.record.migrate URL [REVISION]   (or - to read the URL from standard input)")
    url = sys.stdin.read().strip() if sys.argv[1] == "-" else sys.argv[1]
    try:
        move(url, sys.argv[2] if len(sys.argv) == 3 else HEAD)
    except RecordError as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main()
