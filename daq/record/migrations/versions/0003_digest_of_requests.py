"""What a request held, as a digest: its id may come again with another content, which is then refused."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("command", sa.Column("digest", sa.String(length=80), nullable=True))


def downgrade() -> None:
    op.drop_column("command", "digest")
