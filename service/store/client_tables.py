"""The tables of access: registered clients, assertions that were used, tokens that were revoked."""

# pyright: reportCallIssue=false, reportGeneralTypeIssues=false, reportArgumentType=false, reportAssignmentType=false
# (the table=True of SQLModel classes is not known to the type checker)

from __future__ import annotations

from sqlalchemy import Column, Text
from sqlmodel import Field, SQLModel


class ClientRow(SQLModel, table=True):
    """One registered client: for whom it works, what it may ask for, and its public keys or where they are kept.

    `offices` and `scopes` are words parted by blanks; `keys` is a JSON Web Key Set, empty with `keys_url` or without
    keys at all.
    """

    __tablename__ = "client"
    id: str = Field(primary_key=True, max_length=255)
    name: str = Field(max_length=255)
    offices: str = Field(max_length=64)
    organisation: str = Field(max_length=80)
    scopes: str = Field(sa_column=Column(Text, nullable=False))
    keys: str = Field(sa_column=Column(Text, nullable=False))
    keys_url: str = Field(max_length=1000)
    revoked: bool
    added_at: str = Field(max_length=32)
    changed_at: str = Field(max_length=32)


class UsedAssertionRow(SQLModel, table=True):
    """An assertion that was used, by the hash of its client and number, until it has long expired.

    Two uses at once collide on the key: one of them made the row.
    """

    __tablename__ = "used_assertion"
    sha256: str = Field(primary_key=True, max_length=64)
    expires_at_s: float = Field(index=True)


class RevokedTokenRow(SQLModel, table=True):
    """An access token that was revoked before it expired, by its number."""

    __tablename__ = "revoked_token"
    jti: str = Field(primary_key=True, max_length=64)
    expires_at_s: float = Field(index=True)
