"""Brings a database's tables up to date: `python -m daq.record.migrate URL`; `-` reads the URL from standard input.

Runs in a process of its own and ends; nothing else imports it.
"""

import sys
from pathlib import Path

from alembic import command
from alembic.config import Config

SCRIPTS = Path(__file__).with_name("migrations")


def config(url: str) -> Config:
    """Alembic's settings for a database; there is no file beside the package."""
    made = Config()
    made.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    made.set_main_option("sqlalchemy.url", url.replace("%", "%%"))
    return made


def main() -> None:
    if len(sys.argv) != 2:
        sys.exit("usage: python -m daq.record.migrate URL   (or - to read the URL from standard input)")
    url = sys.stdin.read().strip() if sys.argv[1] == "-" else sys.argv[1]
    command.upgrade(config(url), "head")


if __name__ == "__main__":
    main()
