"""Numbers of events and messages in 64 bits: a plant's database would have used up those of 32 within some years.

On SQLite they always had 64 bits, and nothing is to be done.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

TABLES = ("event", "outbox")
NARROW, WIDE = sa.Integer(), sa.BigInteger()


def upgrade() -> None:
    _change(NARROW, WIDE)


def downgrade() -> None:
    """Refused by the database, all as it was, where a number no longer fits."""
    _change(WIDE, NARROW)


def _change(old: sa.types.TypeEngine[int], new: sa.types.TypeEngine[int]) -> None:
    if op.get_bind().dialect.name == "sqlite":
        return
    for table in TABLES:
        op.alter_column(table, "id", existing_type=old, type_=new, existing_nullable=False)
        op.execute(f"ALTER SEQUENCE {table}_id_seq AS {new.compile(op.get_bind().dialect)}")
